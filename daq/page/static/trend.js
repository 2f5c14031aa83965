// The live trend of a signal: the newest minutes, the averaged span shaded, and the level of the stop rule.

import { colour } from "./figures.js";

const LONGEST_S = 600;
const MOST_POINTS = 6000;
/** The line is open where readings are missing for this time (s), and for this number of times between two of them. */
const GAP_S = 2, GAP_TIMES = 4;

/** Return a range around values, so that a small change is seen and noise does not fill the plot. */
function around(low, high) {
  if (low === null || high === null) return [0, 1];
  const room = Math.max((high - low) * 0.15, Math.abs(high) * 0.02, 1e-9);
  return [low - room, high + room];
}

/** A trend of one signal in an element. */
export class Trend {
  constructor(element) {
    this.element = element;
    this.times = [];
    this.values = [];
    this.span = null;
    this.level = null;
    this.until = null;
    this.band = null;
    this.plot = null;
    this.waiting = false;
    this.resized = new ResizeObserver(() => this.resize());
    this.resized.observe(element);
  }

  /** Add a value at a time (s since the start of the run); null leaves the line open, and so does a time without readings. */
  add(time, value) {
    const last = this.times.at(-1);
    if (last !== undefined && time <= last) return;
    const usual = this.usual ?? Infinity;
    if (last !== undefined && time - last > Math.max(GAP_S, GAP_TIMES * usual)) {
      if (this.values.at(-1) !== null) { this.times.push((last + time) / 2); this.values.push(null); }
    } else if (last !== undefined) this.usual = time - last;
    this.times.push(time);
    this.values.push(value);
    const first = time - LONGEST_S;
    let drop = Math.max(0, this.times.length - MOST_POINTS);
    while (this.times[drop] < first) drop += 1;
    if (drop > 0) { this.times.splice(0, drop); this.values.splice(0, drop); }
    this.draw();
  }

  /** Put points that the server kept in the place of those of the same time; points before and after them stay. */
  fill(times, values) {
    if (times.length === 0) return;
    const own = this.times.map((time, place) => [time, this.values[place]]);
    const kept = times.map((time, place) => [time, values[place]]);
    this.clear();
    for (const [time, value] of [...own.filter(([t]) => t < times[0]), ...kept, ...own.filter(([t]) => t > times.at(-1))]) this.add(time, value);
  }

  /** Shade the averaged span (s since the start of the run), and draw the level of a stop rule where it is on this signal. */
  mark(begin, end, level = null) {
    this.span = begin === null ? null : [begin, end];
    this.level = level;
  }

  /** Draw the time (s since the start of the run) that ends the run, and the band in which a steady signal stays during the averaged span. */
  ends(until, band) {
    this.until = until;
    this.band = band;
  }

  /** Forget all points, as for another run. */
  clear() {
    this.times = [];
    this.values = [];
    this.usual = undefined;
    this.draw();
  }

  draw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      if (!this.plot) this.make();
      this.plot?.setData([this.times, this.values]);
    });
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.element;
    if (this.plot && width > 40 && height > 40) this.plot.setSize({ width, height });
  }

  make() {
    const { clientWidth: width, clientHeight: height } = this.element;
    if (!window.uPlot || width < 40 || height < 40) return;
    const ink = colour("--ink"), soft = colour("--soft"), line = colour("--line"), accent = colour("--accent"), shade = colour("--span");
    const size = Math.min(22, Math.max(13, Math.round(height / 14)));
    const font = `${size}px system-ui, sans-serif`;
    const axis = { stroke: soft, font, grid: { stroke: line, width: 1 }, ticks: { show: false } };
    this.plot = new window.uPlot({
      width, height, legend: { show: false }, cursor: { show: false }, padding: [8, 1.8 * size, 0, 0],
      scales: { x: { time: false, range: (_, low, high) => this.seen(low ?? 0, high ?? 0) }, y: { range: (_, low, high) => around(low, high) } },
      axes: [{ ...axis, size: 1.8 * size, space: 5 * size, values: (_, ticks) => ticks.map((x) => `${x} s`) }, { ...axis, size: 4.2 * size, space: 2 * size, values: (_, ticks) => ticks.map((x) => `${Number(x.toPrecision(6))}`) }],
      series: [{}, { stroke: ink, width: 2, points: { show: false }, spanGaps: false }],
      hooks: { drawClear: [(u) => this.shade(u, shade)], draw: [(u) => this.rule(u, accent)] },
    }, [this.times, this.values], this.element);
  }

  /** Return the times that are shown: with the end of the run, where it is not so far away that the line becomes short. */
  seen(low, high) {
    const last = Math.max(high, low + 10);
    const end = this.until === null ? last : this.until + 0.02 * (last - low);
    return [low, end > last && end - last <= last - low ? end : last];
  }

  shade(u, fill) {
    if (!this.span) return;
    const a = Math.max(u.valToPos(this.span[0], "x", true), u.bbox.left);
    const b = Math.min(u.valToPos(this.span[1], "x", true), u.bbox.left + u.bbox.width);
    if (b <= a) return;
    u.ctx.fillStyle = fill;
    u.ctx.fillRect(a, u.bbox.top, b - a, u.bbox.height);
  }

  rule(u, stroke) {
    const { left, top, width, height } = u.bbox;
    const x = (time) => Math.min(Math.max(u.valToPos(time, "x", true), left), left + width);
    const y = (value) => u.valToPos(value, "y", true);
    const lines = [];
    if (this.level !== null) lines.push([left, y(this.level), left + width, y(this.level)]);
    if (this.until !== null) lines.push([u.valToPos(this.until, "x", true), top, u.valToPos(this.until, "x", true), top + height]);
    if (this.band && this.span) for (const value of this.band) lines.push([x(this.span[0]), y(value), x(this.span[1]), y(value)]);
    const drawn = lines.filter(([x1, y1]) => x1 >= left && x1 <= left + width && y1 >= top && y1 <= top + height);
    this.element.dataset.drawn = drawn.length;
    u.ctx.save();
    u.ctx.strokeStyle = stroke;
    u.ctx.lineWidth = 3;
    u.ctx.setLineDash([10, 6]);
    for (const [x1, y1, x2, y2] of drawn) {
      u.ctx.beginPath();
      u.ctx.moveTo(x1, y1);
      u.ctx.lineTo(x2, y2);
      u.ctx.stroke();
    }
    u.ctx.restore();
  }

  end() {
    this.resized.disconnect();
    this.plot?.destroy();
  }
}
