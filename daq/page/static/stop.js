// The stop of a bench and the alarm of its motor: the same on its own screen and on each other screen of a paired browser.

import { part, put } from "./figures.js";
import { STANDING } from "./gauges.js";
import { withConnection } from "./stream.js";
import { send } from "./visit.js";

/** Longest time (ms) for an answer: a connection that a network has forgotten gives none, and no error either. */
const STOP_MS = 2000;
const STOPS = 3;
/** A stop that was not taken is sent again every `AGAIN_MS` for `AGAIN_FOR_MS` (ms): the network may return. */
const AGAIN_MS = 1000, AGAIN_FOR_MS = 30_000;
const SAID_MS = 8000;
const DOUBT = ["may_still_be_turning", "in_doubt"];

/** Return a key that no other touch has; without TLS a browser has no `randomUUID`. */
function newKey() {
  return [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** The stop of a bench; `root` has its alarm and its line, `words` returns the texts, `live` is the state (`BenchLive`). */
export class BenchStop {
  constructor(bench, root, words, live) {
    Object.assign(this, { bench, root, words, live, asked: null, turn: 0, readAt: -Infinity });
    // A stop by a form, as from a page without scripts.
    if (part(root, "stop").dataset.kind === "taken") this.asked = performance.now();
  }

  /** Take an event of the stream. */
  take(event, data) {
    if (event === "bench") this.live.view = data;
    else if (event === "run") this.live.run = data.run;
    else if (event === "reading") {
      this.live.reading = data;
      this.readAt = data.age_s === null ? -Infinity : performance.now() - 1000 * data.age_s;
    }
  }

  /** Show alarm and line. */
  show() {
    const { reading, run, view } = this.live;
    const turning = DOUBT.includes(reading?.motor) || DOUBT.includes(run?.motor);
    part(this.root, "alarm").hidden = !turning && !(DOUBT.includes(view?.result?.motor) && reading?.still !== true);
    if (this.asked === null) return;
    const still = this.standsStill();
    const words = this.words();
    if (still) this.say("still", `${words.text("stop.still")}. ${words.text("stop.still_help")}`);
    else this.say("taken", `${words.text("stop.taken")}. ${words.text("stop.taken_help")}`);
    if (!still) return;
    this.asked = null;
    setTimeout(() => { if (this.asked === null) this.clear("still"); }, SAID_MS);
  }

  /** Return whether the motor is known to be still by a reading that is newer than the stop, and nothing is about to turn it. */
  standsStill() {
    const { reading, run, view } = this.live;
    return reading?.still === true && this.readAt > this.asked && view?.stage !== "starting" && (!run || STANDING.includes(run.motor));
  }

  say(kind, text) {
    const line = part(this.root, "stop");
    line.hidden = false;
    line.dataset.kind = kind;
    put(line, text);
  }

  /** Hide the line where it still has a kind of message. */
  clear(kind) {
    const line = part(this.root, "stop");
    if (line.dataset.kind === kind) line.hidden = true;
  }

  /**
   * Stop, each further time on another connection; until it is taken, the screen says that it is not.
   *
   * Each sending names the run that the screen shows at the touch: a further one stops no other run.
   */
  async stop() {
    const turn = ++this.turn;
    const headers = { "X-Stop-Run": encodeURIComponent(this.live.run?.run ?? ""), "X-Stop-Key": newKey() };
    this.asked = null; // an earlier touch that was taken says nothing about this one
    const until = performance.now() + AGAIN_FOR_MS;
    for (let time = 0, refused = false; time < STOPS || (!refused && performance.now() < until); time++) {
      if (time >= STOPS) await new Promise((done) => setTimeout(done, AGAIN_MS));
      if (turn !== this.turn) return; // a newer touch goes on
      try {
        if (time > 0) headers["X-Stop-Again"] = "1";
        const { taken } = await withConnection(() => send(this.bench, "stop", {}, STOP_MS, { anyone: true, headers }));
        if (turn !== this.turn) return;
        if (taken === false) {
          this.say("ended", this.words().text("stop.ended"));
          return;
        }
        this.asked = performance.now();
        this.show();
        return;
      } catch (error) {
        if (turn !== this.turn) return;
        refused = error.status >= 400 && error.status < 500;
        this.say("failed", this.words().text("stop.failed"));
      }
    }
  }
}
