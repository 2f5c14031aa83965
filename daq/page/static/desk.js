// The overview of all benches: values and words of the runs, live.

import { part, put, resultState, wordsOf } from "./figures.js";
import { showReading, showValue } from "./live_run.js";
import { OLD_S, Stream } from "./stream.js";

const cards = new Map([...document.querySelectorAll(".bench-card")].map((card) => [card.dataset.bench, { card, words: wordsOf(card), live: JSON.parse(card.dataset.live) }]));
/** Longest time (ms) for an answer: a connection that a network has forgotten gives none. */
const PAGE_MS = 5000;
let fetching = null;

/** Return what decides the parts of a card that the server makes. */
function signature(live) {
  return JSON.stringify([live.view && [live.view.stage, live.view.sample, live.view.connection, live.view.out_of_service, live.view.fitted, live.view.worklist[0], resultState(live.view.result)].map((part) => JSON.stringify(part, (key, value) => (key === "in_bath_s" ? undefined : value))), live.run && [live.run.run, live.run.state, live.run.step.number], live.reading?.motor]);
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
      const answer = await fetch(location.pathname, { cache: "no-store", signal: AbortSignal.timeout(PAGE_MS) });
      if (!answer.ok) return;
      const made = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const [name, entry] of cards) {
        const next = [...made.querySelectorAll(".bench-card")].find((card) => card.dataset.bench === name);
        if (!next) continue;
        entry.card.replaceWith(next);
        Object.assign(entry, { card: next, words: wordsOf(next), shown: signature(entry.live) });
        show(entry);
      }
      stream.tick(); // the cards that were just made have no age yet
    } catch {
      // The stream shows the loss of the connection; the next change fetches again.
    } finally {
      fetching = null;
    }
  }, 500);
}

/** Show the age of the readings of a run where they are old: each bench has its own. */
function aged(entry, lost) {
  const age = (performance.now() - entry.valued) / 1000;
  const old = entry.live.run !== null && age >= OLD_S;
  entry.card.classList.toggle("stale", lost || old);
  const beside = part(entry.card, "value-age");
  if (beside) { beside.hidden = !old; put(beside, old ? entry.words.text("connection.age", { seconds: Math.floor(age) }) : ""); }
}

const valuedAt = (reading) => performance.now() - 1000 * (reading?.age_s ?? 0);
for (const entry of cards.values()) entry.valued = valuedAt(entry.live.reading);
for (const entry of cards.values()) { entry.shown = signature(entry.live); show(entry); }

const stream = new Stream("/api/v1/events", (event, data) => {
  const entry = cards.get(data.bench);
  if (!entry) return;
  if (event === "bench") entry.live.view = data;
  if (event === "run") entry.live.run = data.run;
  if (event === "reading") { entry.live.reading = data; entry.valued = valuedAt(data); }
  show(entry);
  if (entry.shown !== signature(entry.live)) refresh();
}, (_, lost) => {
  part(document, "lost").hidden = !lost;
  for (const entry of cards.values()) aged(entry, lost);
});
