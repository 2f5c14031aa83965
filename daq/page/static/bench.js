// The screen at a bench.  The server makes each stage; this module fills in what lives, and fetches the stage when it changes.

import { part, put, resultState, wordsOf } from "./figures.js";
import { STANDING } from "./gauges.js";
import { showReading, showRun } from "./live_run.js";
import { listen } from "./scanner.js";
import { Stream } from "./stream.js";
import { Trend } from "./trend.js";

const FETCH_MS = 1000;
/** Longest times (ms) for an answer: a connection that a network has forgotten gives none, and no error either. */
const PAGE_MS = 5000, ACT_MS = 20_000, STOP_MS = 2000;
const STOPS = 3;
const body = document.body;
const name = body.dataset.bench;
let words = wordsOf(body);
let live = JSON.parse(body.dataset.live);
let trend = null;
let fetched = 0;
let fetching = null;
let stopping = null;
let readAt = -Infinity;
const began = { run: "" };
let cut = false;

function makeTrend() {
  const element = part(document, "trend");
  if (trend && trend.element === element) return;
  trend?.end();
  trend = element ? new Trend(element) : null;
  recall();
}

/** Get the points of the run that were read before this page followed it, or while it was cut off. */
async function recall() {
  const wanted = trend;
  if (!wanted || !live.run) return;
  try {
    const answer = await fetch(`/api/v1/benches/${encodeURIComponent(name)}/trend`, { cache: "no-store", signal: AbortSignal.timeout(PAGE_MS) });
    const kept = answer.ok ? await answer.json() : null;
    // The run, or its signal, can be another one by now.
    if (kept && trend === wanted && kept.run === live.run?.run && kept.signal === wanted.signal) wanted.fill(kept.times, kept.values);
  } catch {
    // While it is cut off, the return of the stream asks again.
    setTimeout(() => { if (trend === wanted && !cut) recall(); }, FETCH_MS);
  }
}

/** Return what decides the parts that the server makes. */
function signature(state) {
  const run = state.run;
  const codes = (list) => (list ?? []).map((one) => one.code);
  return JSON.stringify([
    state.view && [state.view.revision, state.view.stage, state.view.message, state.view.connection, resultState(state.view.result), state.view.out_of_service],
    run && [run.run, run.state, run.step.number, run.step.speed, run.seek?.number, run.rules.map((rule) => rule.rule), codes(run.advice), codes(run.notes), codes(run.value?.reasons), run.value === null, Object.keys(run.faults)],
  ]);
}

let shown = signature(live);

/** Fetch the page again and put its parts in the place of those shown; what a person types stays. */
async function refresh() {
  if (fetching) return;
  const wait = Math.max(0, fetched + (document.body.dataset.stage === live.view?.stage ? FETCH_MS : 0) - performance.now());
  fetching = setTimeout(async () => {
    fetched = performance.now();
    const wanted = signature(live);
    try {
      const answer = await fetch(location.pathname, { headers: { Accept: "text/html" }, cache: "no-store", signal: AbortSignal.timeout(PAGE_MS) });
      if (answer.ok) adopt(new DOMParser().parseFromString(await answer.text(), "text/html"), wanted);
    } catch {
      // The stream shows the loss of the connection; the next change fetches again.
    } finally {
      fetching = null;
      if (shown !== signature(live)) refresh();
    }
  }, wait);
}

function adopt(made, wanted) {
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
  for (const key of ["stage", "revision", "asks", "words"]) body.dataset[key] = made.body.dataset[key];
  words = wordsOf(body);
  shown = wanted;
  const field = document.getElementById("typed");
  // A text that a person has begun stays; a text that was taken in the meantime replaces it.
  if (field && typed && sameStage && field.defaultValue === typed.defaultValue) {
    if (field !== typed) field.value = typed.value;
    if (writing) field.focus();
  }
  makeTrend();
  bind();
  show();
  stream.tick(); // the parts that were just made have no age yet
}

function show() {
  if (live.run) {
    if (began.run !== live.run.run) { began.run = live.run.run; trend?.clear(); }
    showRun(document, words, live.run, trend);
    if (live.reading) showReading(document, words, live.run, { ...live.run.signals, ...live.reading.values });
  }
  const doubt = ["may_still_be_turning", "in_doubt"];
  const turning = doubt.includes(live.reading?.motor) || doubt.includes(live.run?.motor);
  part(document, "alarm").hidden = !turning && !(doubt.includes(live.view?.result?.motor) && live.reading?.still !== true);
  showStop();
}

/** Return whether the motor is known to be still by a reading that is newer than the stop, and nothing is about to turn it. */
function standsStill() {
  return live.reading?.still === true && readAt > stopping && live.view?.stage !== "starting" && (!live.run || STANDING.includes(live.run.motor));
}

/** After a stop: "command taken" until the speed that is read is zero, then "stands still". */
function showStop() {
  const line = part(document, "stop");
  if (stopping === null) return;
  const still = standsStill();
  line.hidden = false;
  line.dataset.kind = still ? "still" : "taken";
  put(line, still ? `${words.text("stop.still")}. ${words.text("stop.still_help")}` : `${words.text("stop.taken")}. ${words.text("stop.taken_help")}`);
  if (still) { stopping = null; setTimeout(() => { if (stopping === null && line.dataset.kind === "still") line.hidden = true; }, 8000); }
}

function say(text) {
  const line = part(document, "stop");
  line.hidden = false;
  line.dataset.kind = "failed";
  put(line, text);
}

async function send(path, content, longest = ACT_MS) {
  const answer = await fetch(`/api/v1/benches/${encodeURIComponent(name)}/${path}`, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRF-Token": body.dataset.csrf },
    body: JSON.stringify(content),
    signal: AbortSignal.timeout(longest),
  });
  if (answer.ok) return;
  const said = await answer.json().catch(() => ({}));
  throw new Error(answer.status === 409 ? "409" : typeof said.detail === "string" ? said.detail : "");
}

/** Give an act of a person; a refusal is shown, and the page is fetched again. */
async function act(path, content) {
  try {
    await send(path, content);
    const line = part(document, "stop");
    if (line.dataset.kind === "failed") line.hidden = true;
  } catch (error) {
    say(error.name === "TimeoutError" || error.name === "TypeError" ? words.text("error.daemon") : error.message === "409" ? `${words.text("error.changed")} ${words.text("error.changed_do")}` : error.message || words.text("error.daemon"));
  }
  shown = "";
  fetched = 0;
  refresh();
}

/** Stop, each further time on another connection; until it is taken, the screen says that it is not. */
async function stop() {
  for (let time = 0; time < STOPS; time++) {
    try {
      await send("stop", {}, STOP_MS);
      stopping = performance.now();
      showStop();
      return;
    } catch {
      say(words.text("stop.failed"));
    }
  }
}

function submitted(event) {
  const kind = event.target.dataset.form;
  if (!kind) return;
  event.preventDefault();
  const seen = Number(body.dataset.revision);
  const button = event.submitter;
  if (kind === "stop") stop();
  else if (kind === "command") act("command", { command: button.value, seen, ...typedText() });
  else act("text", { text: button?.name === "text" ? button.value : document.getElementById("typed").value, seen });
}

function typedText() {
  const field = document.getElementById("typed");
  return field && field.form?.id === "command" ? { text: field.value } : {};
}

/** Count down what is left of stirring and rest between two views. */
function bind() {
  for (const clock of document.querySelectorAll("[data-countdown]")) clock.dataset.until = performance.now() + 1000 * Number(clock.dataset.countdown);
}
setInterval(() => {
  for (const clock of document.querySelectorAll("[data-until]")) {
    const left = Math.ceil(Math.max(0, Number(clock.dataset.until) - performance.now()) / 1000);
    put(clock, `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`);
  }
}, 250);

function take(event, data) {
  let point = null;
  if (event === "bench") live.view = data;
  else if (event === "run") { live.run = data.run; point = data.point; }
  else if (event === "reading") { live.reading = data; readAt = data.age_s === null ? -Infinity : performance.now() - 1000 * data.age_s; }
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
  const beside = part(document, "value-age");
  if (beside) { beside.hidden = age === null; put(beside, text); }
}

document.addEventListener("submit", submitted);
listen((text) => {
  const asks = body.dataset.asks;
  if (asks === "sample" || asks === "cup") act("text", { text, seen: Number(body.dataset.revision) });
});
if (part(document, "stop").dataset.kind === "taken") {
  // A stop by a form, as from another page.
  stopping = performance.now();
}
makeTrend();
bind();
show();
const stream = new Stream(`/api/v1/benches/${encodeURIComponent(name)}/events`, take, aged);
