// The state of the daemon on the desk: fetched again while it is seen, and marked as old where that fails.

import { part, put, wordsOf } from "./figures.js";
import { OLD_S } from "./stream.js";

const EVERY_MS = 5000;
/** Longest time (ms) for an answer: a daemon that hangs gives none. */
const PAGE_MS = 4000;
const words = wordsOf(part(document, "read-age"));
let read = performance.now();
let failed = false;

function show() {
  const age = (performance.now() - read) / 1000;
  const text = words.text("connection.age", { seconds: Math.floor(age) });
  put(part(document, "read-age"), age < OLD_S ? "" : !failed ? text : `${text} ${words.text("connection.lost")}`);
  part(document, "read").classList.toggle("stale", failed && age >= OLD_S);
}

async function refresh() {
  if (document.hidden) return;
  try {
    const asked = performance.now();
    const answer = await fetch(location.pathname, { cache: "no-store", signal: AbortSignal.timeout(PAGE_MS) });
    const made = new DOMParser().parseFromString(await answer.text(), "text/html");
    const next = part(made, "read");
    failed = !answer.ok || !next;
    if (failed) return;
    part(document, "read").replaceChildren(...next.childNodes);
    put(part(document, "read-age").previousElementSibling, part(made, "read-age").previousElementSibling.textContent);
    read = asked;
  } catch {
    failed = true; // the age goes on; the next fetch tries again
  } finally {
    show();
  }
}

setInterval(show, 250);
setInterval(refresh, EVERY_MS);
document.addEventListener("visibilitychange", refresh);
