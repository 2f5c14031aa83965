// The stream of live values: one connection, the age of what it brought, and its loss.

/** Age (s) from which a reading is shown as old. */
export const OLD_S = 2;
/** Time (s) without an event after which the page is cut off: the server sends one every 2 s at least. */
const SILENT_S = 5;
const QUICKEST_MS = 60_000;
/** Longest time (ms) for which a stream is held back for an order of this tab, or of another one that has ended without a word. */
const HELD_MS = 3000;

/** All streams of this tab. */
const streams = new Set();
const tabs = new BroadcastChannel("daq-streams");
tabs.addEventListener("message", ({ data }) => { for (const stream of streams) stream.hold(data.hold); });

/** Give a connection to `order`: a browser has six to one server, and each stream of each tab keeps one for itself. */
export async function withConnection(order) {
  const hold = (is) => { tabs.postMessage({ hold: is }); for (const stream of streams) stream.hold(is); };
  hold(true);
  try {
    return await order();
  } finally {
    hold(false);
  }
}

/** Follow a stream; `take` gets the name and the data of each event, `aged` the age (s) of the values and whether the page is cut off. */
export class Stream {
  constructor(address, take, aged) {
    this.address = address;
    this.take = take;
    this.aged = aged;
    this.heard = performance.now();
    this.valued = performance.now();
    this.daemon = true;
    this.lost = false;
    this.timer = setInterval(() => this.tick(), 250);
    // A browser keeps few connections to one server, and a stop needs one: screens that are not seen have none.
    document.addEventListener("visibilitychange", () => (document.hidden ? this.pause() : this.resume()));
    // A page that the browser kept while another was shown has values of that time, and no stream.
    addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
    addEventListener("pagehide", () => this.end());
    streams.add(this);
    if (document.hidden) this.pause();
    else this.open();
  }

  /** Connect; a connection before it, which may hang without an error, ends. */
  open(anew = true) {
    this.close();
    if (this.held) return;
    this.opened = performance.now();
    // After an order the server is the same: a reading that a slow network keeps back stays known as late.
    if (anew) this.since = this.quickest = undefined;
    this.source = new EventSource(this.address);
    for (const name of ["link", "bench", "run", "reading", "companion"]) {
      this.source.addEventListener(name, (event) => this.got(name, JSON.parse(event.data)));
    }
    this.source.addEventListener("bye", () => { this.lost = true; this.tick(); });
    this.source.addEventListener("error", () => {
      this.lost = true;
      this.tick();
      if (this.source.readyState === EventSource.CLOSED) this.again = setTimeout(() => this.open(), 1000);
    });
  }

  got(name, data) {
    this.heard = performance.now();
    this.lost = false;
    if (name === "link") this.daemon = data.daemon;
    if (name === "reading" || name === "companion") {
      if (data.age_s !== null) data.age_s = (data.age_s ?? 0) + this.late(data.sent_s);
      if (name === "reading") this.valued = this.heard - 1000 * (data.age_s ?? 0);
    }
    this.take(name, data);
    this.tick();
  }

  /** Return how much later (s) an event came than the quickest of the last minutes: a slow network keeps values back. */
  late(sent) {
    if (sent === undefined) return 0;
    const took = performance.now() / 1000 - sent;
    // The clocks of server and browser drift, so that the quickest is forgotten in time.
    if (this.since === undefined || this.heard - this.since > QUICKEST_MS) [this.before, this.quickest, this.since] = [this.quickest ?? took, took, this.heard];
    this.quickest = Math.min(this.quickest, took);
    return took - Math.min(this.before, this.quickest);
  }

  /** Tell the age of the newest reading; a page that receives nothing is cut off. */
  tick() {
    if (this.paused) return;
    const now = performance.now();
    const age = (now - this.valued) / 1000;
    const silent = (now - this.heard) / 1000 > SILENT_S;
    if (silent && (now - this.opened) / 1000 > SILENT_S) this.open();
    this.aged(age >= OLD_S ? age : null, this.lost || !this.daemon || silent);
  }

  /** Hold the connection back while the page is not seen. */
  pause() {
    this.end();
    this.paused = true;
  }

  /** Connect again after a pause; the newest state comes first. */
  resume() {
    if (!this.paused) return;
    this.paused = false;
    this.heard = performance.now();
    this.timer = setInterval(() => this.tick(), 250);
    this.open();
    this.tick();
  }

  /** Close the connection for an order, and connect again after it; the age of the values is shown meanwhile. */
  hold(is) {
    if (this.paused || is === Boolean(this.held)) return;
    clearTimeout(this.held);
    this.held = is ? setTimeout(() => this.hold(false), HELD_MS) : 0;
    if (is) this.close();
    else this.open(false);
  }

  close() {
    clearTimeout(this.again);
    this.source?.close();
  }

  end() {
    clearInterval(this.timer);
    clearTimeout(this.held);
    this.held = 0;
    this.close();
  }
}
