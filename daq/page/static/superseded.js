// The page of one result: it is asked for again while it is seen, and says so where what is stored is another by now.

import { part } from "./figures.js";

const EVERY_MS = 20_000;
/** Longest time (ms) for an answer: a daemon that hangs gives none. */
const PAGE_MS = 5000;
const place = "[data-shown-state]";
const shown = document.querySelector(place).dataset.shownState;
let asking = false;

async function check() {
  if (document.hidden || asking) return;
  asking = true;
  let now;
  try {
    const answer = await fetch(location.pathname, { cache: "no-store", headers: { Accept: "text/html" }, signal: AbortSignal.timeout(PAGE_MS) });
    if (answer.ok) now = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector(place)?.dataset.shownState;
  } catch {
    // The page says that it could not be compared; the next time asks again.
  } finally {
    asking = false;
  }
  part(document, "unchecked").hidden = now !== undefined;
  if (now === undefined) return;
  part(document, "superseded").hidden = now === shown;
  document.querySelector(".headline")?.classList.toggle("superseded", now !== shown);
}

setInterval(check, EVERY_MS);
document.addEventListener("visibilitychange", check);
addEventListener("pageshow", (event) => { if (event.persisted) check(); });
