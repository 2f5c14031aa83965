// The stream of live values: one connection, the age of what it brought, and its loss.

/** Age (s) from which a reading is shown as old. */
export const OLD_S = 2;
const SILENT_S = 5;

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
    document.addEventListener("visibilitychange", () => this.tick());
    this.open();
  }

  open() {
    this.source = new EventSource(this.address);
    for (const name of ["link", "bench", "run", "reading"]) {
      this.source.addEventListener(name, (event) => this.got(name, JSON.parse(event.data)));
    }
    this.source.addEventListener("bye", () => { this.lost = true; this.tick(); });
    this.source.addEventListener("open", () => { this.lost = false; });
    this.source.addEventListener("error", () => {
      this.lost = true;
      this.tick();
      if (this.source.readyState === EventSource.CLOSED) setTimeout(() => this.open(), 1000);
    });
  }

  got(name, data) {
    this.heard = performance.now();
    this.lost = false;
    if (name === "link") this.daemon = data.daemon;
    if (name === "reading") this.valued = this.heard - 1000 * (data.age_s ?? 0);
    this.take(name, data);
    this.tick();
  }

  /** Tell the age of the newest reading; a page that hears nothing is cut off. */
  tick() {
    const now = performance.now();
    const age = (now - this.valued) / 1000;
    const silent = (now - this.heard) / 1000 > SILENT_S && age > SILENT_S;
    this.aged(age >= OLD_S ? age : null, this.lost || !this.daemon || silent);
  }

  end() {
    clearInterval(this.timer);
    this.source.close();
  }
}
