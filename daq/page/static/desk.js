// The overview of all benches: values and words of the runs, live.

import { part, wordsOf } from "./figures.js";
import { showReading, showValue } from "./live_run.js";
import { Stream } from "./stream.js";

const cards = new Map([...document.querySelectorAll(".bench-card")].map((card) => [card.dataset.bench, { card, words: wordsOf(card), live: JSON.parse(card.dataset.live) }]));
let fetching = null;

/** Return what decides the parts of a card that the server makes. */
function signature(live) {
  return JSON.stringify([live.view && [live.view.stage, live.view.sample, live.view.connection, live.view.out_of_service], live.run && [live.run.run, live.run.state, live.run.step.number], live.reading?.motor]);
}

function show(entry) {
  if (!entry.live.run) return;
  showValue(entry.card, entry.words, entry.live.run);
  showReading(entry.card, entry.words, entry.live.run, { ...entry.live.run.signals, ...(entry.live.reading?.values ?? {}) });
}

/** Fetch the page again, and put each card in the place of the one shown. */
function refresh() {
  if (fetching) return;
  fetching = setTimeout(async () => {
    try {
      const answer = await fetch(location.pathname, { cache: "no-store" });
      if (!answer.ok) return;
      const made = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const [name, entry] of cards) {
        const next = [...made.querySelectorAll(".bench-card")].find((card) => card.dataset.bench === name);
        if (!next) continue;
        entry.card.replaceWith(next);
        Object.assign(entry, { card: next, words: wordsOf(next), shown: signature(entry.live) });
        show(entry);
      }
    } catch {
      // The stream shows the loss of the connection; the next change fetches again.
    } finally {
      fetching = null;
    }
  }, 500);
}

for (const entry of cards.values()) { entry.shown = signature(entry.live); show(entry); }

const stream = new Stream("/api/v1/events", (event, data) => {
  const entry = cards.get(data.bench);
  if (!entry) return;
  if (event === "bench") entry.live.view = data;
  if (event === "run") entry.live.run = data.run;
  if (event === "reading") entry.live.reading = data;
  show(entry);
  if (entry.shown !== signature(entry.live)) refresh();
}, (age, lost) => {
  part(document, "lost").hidden = !lost;
  for (const { card } of cards.values()) card.classList.toggle("stale", lost);
});
addEventListener("pagehide", () => stream.end());
