// The screen of a trial: its lines and values, renewed while it goes on.

import { OLD_S } from "./stream.js";

const EVERY_MS = 700;
/** Longest time (ms) for an answer: a connection that a network has forgotten gives none. */
const PAGE_MS = 5000;
const ENDED = ["", "done", "failed"];
/** Time (ms) of the newest answer: from `OLD_S` on, its values are marked as old. */
let read = performance.now();

/** Fetch the page again, and put its trial in the place of the one shown. */
async function renew() {
  const shown = document.querySelector("[data-trial]");
  if (ENDED.includes(shown.dataset.trial)) return;
  const asked = performance.now();
  try {
    const answer = await fetch(location.pathname, { headers: { Accept: "text/html" }, cache: "no-store", signal: AbortSignal.timeout(PAGE_MS) });
    const made = answer.ok && new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-trial]");
    if (made) read = asked;
    if (made && !made.isEqualNode(shown)) {
      shown.replaceWith(made);
      const lines = made.querySelector(".lines");
      if (lines && !ENDED.includes(made.dataset.trial)) lines.scrollTop = lines.scrollHeight;
    }
  } catch {
    // The next turn asks again.
  }
  setTimeout(renew, EVERY_MS);
}

setTimeout(renew, EVERY_MS);
setInterval(() => {
  const shown = document.querySelector("[data-trial]");
  shown.classList.toggle("stale", !ENDED.includes(shown.dataset.trial) && performance.now() - read >= 1000 * OLD_S);
}, 250);
