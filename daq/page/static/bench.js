// The screen at a bench.  The server makes each stage; this module fills in the live values, and fetches the stage when it changes.

import { part, put, wordsOf } from "./figures.js";
import { word } from "./gauges.js";
import { offerFullScreen } from "./full_screen.js";
import { showItems } from "./items.js";
import { showReading, showRun } from "./live_run.js";
import { listen } from "./scanner.js";
import { signature } from "./signature.js";
import { BenchStop } from "./stop.js";
import { OLD_S, Stream } from "./stream.js";
import { Trend } from "./trend.js";
import { send, takeOver } from "./visit.js";

const FETCH_MS = 1000;
/** Longest times (ms) for an answer: a connection that a network has forgotten gives none, and no error either. */
const PAGE_MS = 5000, ACT_MS = 20_000;
/** Longest time (ms) for which a finger keeps the screen from being made anew. */
const FINGER_MS = 2000;
const body = document.body;
const name = body.dataset.bench;
let words = wordsOf(body);
const live = JSON.parse(body.dataset.live);
const motor = new BenchStop(name, document.querySelector(".top"), () => words, live);
let trend = null;
let fetched = 0;
let fetching = null;
const began = { run: "" };
let cut = false;
/** Time (ms) at which a finger was put on the screen; null without one. */
let pressed = null;
/** Time (ms) of the newest reading of the bench ("") and of each companion; none where its age is not known. */
const readAt = new Map();

/** Time (ms) of the newest view of the run: its times and the nearness of its end are as old. */
let viewed = performance.now();

function timed(name, reading) {
  readAt.set(name, (reading?.age_s ?? null) === null ? -Infinity : performance.now() - 1000 * reading.age_s);
}
timed("", live.reading);
for (const [name, reading] of Object.entries(live.companions ?? {})) timed(name, reading);

/** Return the newest reading of an instrument ("" for that of the bench), and its age (s). */
function readOf(name) {
  return { reading: name ? live.companions?.[name] : live.reading, age: (performance.now() - (readAt.get(name) ?? -Infinity)) / 1000 };
}

function makeTrend() {
  const element = part(document, "trend");
  if (trend && trend.element === element) return;
  trend?.end();
  trend = element ? new Trend(element) : null;
}

/** The trend, the run and the signal whose points were asked for last. */
let recalled = { trend: null, run: "", signal: "" };

/** Get the points of the run that were read before this page followed it, or while it was cut off. */
async function recall() {
  const asked = recalled;
  const wanted = () => asked === recalled && asked.trend === trend && asked.run === live.run?.run;
  if (!wanted()) return;
  let failed = true;
  try {
    const answer = await fetch(`/api/v1/benches/${encodeURIComponent(name)}/trend`, { cache: "no-store", signal: AbortSignal.timeout(PAGE_MS) });
    const kept = answer.ok ? await answer.json() : null;
    // The answer can be of another run, or of another signal, before the stream tells of it: the first view of those asks again.
    if (kept && wanted() && kept.run === asked.run && kept.signal === asked.signal) asked.trend.fill(kept.times, kept.values);
    failed = answer.status === 429 || answer.status >= 500;
  } catch {
    // There was no answer.
  }
  // While it is cut off, the return of the stream asks again.
  if (failed) setTimeout(() => { if (!cut) recall(); }, FETCH_MS);
}

/** Get the past of a trend that begins: of another run, of another signal, or in another element. */
function recallNew() {
  const [run, signal] = [live.run.run, trend?.signal];
  if (trend === null || (recalled.trend === trend && recalled.run === run && recalled.signal === signal)) return;
  recalled = { trend, run, signal };
  recall();
}

let shown = signature(live);

/** Fetch the page again and put its parts in the place of those shown; what a person types stays. */
async function refresh() {
  if (fetching) return;
  const wait = Math.max(0, fetched + (document.body.dataset.view === live.view?.stage ? FETCH_MS : 0) - performance.now());
  fetching = setTimeout(async () => {
    fetched = performance.now();
    const wanted = signature(live);
    try {
      const answer = await fetch(location.pathname, { headers: { Accept: "text/html" }, cache: "no-store", signal: AbortSignal.timeout(PAGE_MS) });
      const made = answer.ok ? new DOMParser().parseFromString(await answer.text(), "text/html") : null;
      // A button that is replaced between the two ends of a touch would lose the touch.
      while (pressed !== null && performance.now() - pressed < FINGER_MS) await new Promise((done) => setTimeout(done, 50));
      if (made) adopt(made, wanted);
    } catch {
      // The stream shows the loss of the connection; the next change fetches again.
    } finally {
      fetching = null;
      if (shown !== signature(live)) refresh();
    }
  }, wait);
}

function adopt(made, wanted) {
  if (made.body.dataset.bench !== name) {
    // The log-in has ended, and this screen is not paired: it stays, and says what it is refused.  The token of another
    // person is not that of this screen, which still shows the person before.
    if (["", body.dataset.person].includes(made.body.dataset.person)) takeOver(made.body.dataset.csrf);
    shown = wanted;
    return;
  }
  const typed = document.getElementById("typed");
  const writing = document.activeElement === typed;
  const sameStage = made.body.dataset.stage === body.dataset.stage;
  // The stage can come before its run, and end after it: then the whole of it is another one.
  const sameRun = (part(document, "value-row") === null) === (part(made, "value-row") === null);
  if (sameStage && sameRun && body.dataset.stage === "running") {
    for (const old of document.querySelectorAll("[data-part]")) {
      const made2 = made.querySelector(`[data-part="${old.dataset.part}"]`);
      if (made2 && made2.innerHTML !== old.innerHTML) old.replaceChildren(...made2.childNodes);
    }
    put(part(document, "stage"), part(made, "stage")?.textContent ?? "");
  } else {
    for (const place of [".bench-main", ".bench-foot", ".bench-head h1", ".bench-head [data-part]"]) {
      const old = document.querySelector(place);
      const next = made.querySelector(place);
      // A button that is replaced by its like between the two ends of a touch would lose the touch.
      if (old && next && !old.isEqualNode(next)) old.replaceWith(next);
    }
  }
  for (const old of document.querySelectorAll("[data-said]")) old.remove();
  document.querySelector(".top").append(...made.querySelectorAll("[data-said]"));
  takeVisit(made);
  for (const key of ["stage", "view", "revision", "asks", "words"]) body.dataset[key] = made.body.dataset[key];
  words = wordsOf(body);
  shown = wanted;
  const field = document.getElementById("typed");
  // A text that a person has begun stays; a text that was taken in the meantime replaces it.
  if (field && typed && sameStage && field.defaultValue === typed.defaultValue) {
    const whole = typed.selectionStart === 0 && typed.selectionEnd === typed.value.length;
    if (field !== typed) field.value = typed.value;
    if (writing) field.focus();
    if (whole) field.select();
  }
  makeTrend();
  bind();
  show();
  stream.tick(); // the parts that were just made have no age yet
}

/** Take over visit and person of a page that was made anew: they change with a log-in elsewhere, and end with time. */
function takeVisit(made) {
  takeOver(made.body.dataset.csrf);
  if (made.body.dataset.person === body.dataset.person) return;
  body.dataset.person = made.body.dataset.person;
  document.querySelector(".bench-head .right").replaceWith(made.querySelector(".bench-head .right"));
}

function show() {
  if (live.run) {
    if (began.run !== live.run.run) { began.run = live.run.run; trend?.clear(); }
    showRun(document, words, live.run, trend);
    recallNew();
    if (live.reading) showReading(document, words, live.run, { ...live.run.signals, ...live.reading.values });
    showGate();
  }
  motor.show();
}

/** Show the age of a temperature that a companion reads: it can be silent while the bench is read on. */
function showGate() {
  const by = live.run?.temperature?.signal.split(".");
  const gauge = document.querySelector('[data-gauge="temperature"]');
  if (!gauge || !by || by.length < 2) return;
  const { age } = readOf(by[0]);
  const old = age >= OLD_S;
  gauge.classList.toggle("stale", old);
  if (old) word(part(gauge, "word"), "none", Number.isFinite(age) ? words.text("connection.age", { seconds: Math.floor(age) }) : words.text("band.none"), "warn");
}

/** Give an act of a person; a refusal is shown, and the page is fetched again. */
async function act(path, content) {
  try {
    await send(name, path, content, ACT_MS);
    motor.clear("failed");
  } catch (error) {
    motor.say("failed", error.status === undefined ? words.text("error.daemon") : error.status === 409 ? `${words.text("error.changed")} ${words.text("error.changed_do")}` : error.message || words.text("error.daemon"));
  }
  shown = "";
  fetched = 0;
  refresh();
}

function submitted(event) {
  const kind = event.target.dataset.form;
  if (!kind || kind === "paired-stop") return;
  event.preventDefault();
  const seen = Number(body.dataset.revision);
  const button = event.submitter;
  if (kind === "stop") motor.stop();
  else if (kind === "command") act("command", { command: button.value, seen, ...typedText() });
  else {
    const field = document.getElementById("typed");
    act("text", { text: button?.name === "text" ? button.value : field.value, seen });
    // A text that is refused is corrected, or replaced by the next code.
    field?.select();
  }
}

function typedText() {
  const field = document.getElementById("typed");
  return field && field.form?.id === "command" ? { text: field.value } : {};
}

/** Count down what is left of stirring and rest between two views. */
function bind() {
  offerFullScreen();
  for (const clock of document.querySelectorAll("[data-countdown]")) clock.dataset.until = performance.now() + 1000 * Number(clock.dataset.countdown);
}
setInterval(() => {
  for (const clock of document.querySelectorAll("[data-until]")) {
    const left = Math.ceil(Math.max(0, Number(clock.dataset.until) - performance.now()) / 1000);
    put(clock, `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`);
  }
}, 250);

function take(event, data) {
  const point = event === "run" ? data.point : null;
  motor.take(event, data);
  if (event === "reading") timed("", data);
  if (event === "run") viewed = performance.now();
  if (event === "companion") {
    live.companions = { ...live.companions, [data.instrument]: data };
    timed(data.instrument, data);
  }
  show();
  if (point && point.signal === trend?.signal) trend.add(point.t, point.value);
  if (signature(live) !== shown) refresh();
}

function aged(age, lost) {
  if (cut && !lost) recall();
  cut = lost;
  const band = part(document, "lost");
  band.hidden = !lost;
  const row = part(document, "value-row");
  const text = age === null ? "" : words.text("connection.age", { seconds: Math.floor(age) });
  put(part(band, "age"), text);
  for (const old of [row, document.querySelector(".run-left")]) old?.classList.toggle("stale", lost || age !== null);
  const oldView = lost || performance.now() - viewed >= 1000 * OLD_S;
  for (const old of [document.querySelector(".rules"), part(document, "trend-ends")]) old?.classList.toggle("stale", oldView);
  const beside = part(document, "value-age");
  if (beside) { beside.hidden = age === null; put(beside, text); }
  showItems(document, words, readOf, lost);
  showGate();
}

document.addEventListener("pointerdown", () => { pressed = performance.now(); }, true);
for (const end of ["pointerup", "pointercancel"]) document.addEventListener(end, () => { pressed = null; }, true);
document.addEventListener("submit", submitted);
listen((text) => {
  const asks = body.dataset.asks;
  if (asks !== "sample" && asks !== "cup") return;
  // The next code does not begin behind this one.
  const field = document.getElementById("typed");
  if (field) field.value = "";
  act("text", { text, seen: Number(body.dataset.revision) });
});
makeTrend();
bind();
show();
const stream = new Stream(`/api/v1/benches/${encodeURIComponent(name)}/events`, take, aged);
// The points of a time in which the page was not seen are those of the server.
document.addEventListener("visibilitychange", () => { cut = cut || !document.hidden; });
