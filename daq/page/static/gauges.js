// The bars of torque and temperature: a value against its band, with a word and a shape.

import { atPlace, part, put } from "./figures.js";

/** States of a motor that is known not to turn. */
export const STANDING = ["not_moved", "still"];
const NS = "http://www.w3.org/2000/svg";
const SHAPES = {
  good: "M12 2a10 10 0 1 0 0 20a10 10 0 1 0 0-20M7 12.5l3.5 3.5L17 8.5",
  low: "M19 3L5 12l14 9z",
  high: "M5 3l14 9-14 9z",
  bad: "M3 3h18v18H3zM8 8l8 8M16 8l-8 8",
  none: "M4 12h16",
};

/** Put a word with its shape and style into an element. */
export function word(element, kind, text, style) {
  if (!element) return;
  const key = `${kind} ${text}`;
  if (element.dataset.shown === key) return;
  element.dataset.shown = key;
  element.className = `word ${style}`;
  const svg = document.createElementNS(NS, "svg");
  for (const [name, value] of Object.entries({ viewBox: "0 0 24 24", "aria-hidden": "true", fill: "none", stroke: "currentColor", "stroke-width": "2.6" })) svg.setAttribute(name, value);
  const path = document.createElementNS(NS, "path");
  path.setAttribute("d", SHAPES[kind] ?? SHAPES.none);
  svg.append(path);
  const said = document.createElement("span");
  said.textContent = text;
  element.replaceChildren(svg, said);
}

/** Draw a value on a line from `start` to `end`; the part between `low` and `high` is marked. */
function draw(gauge, { start, end, low, high, value, aimed }) {
  const place = (x) => `${(100 * Math.min(1, Math.max(0, (x - start) / (end - start)))).toFixed(2)}%`;
  const put2 = (line, a, b) => { line.setAttribute("x1", place(a)); line.setAttribute("x2", place(b)); };
  put2(gauge.querySelector(".usable"), low, high);
  put2(gauge.querySelector(".end.low"), low, low);
  put2(gauge.querySelector(".end.high"), high, high);
  const target = gauge.querySelector(".aimed");
  if (target && aimed) { put2(target, aimed.low, aimed.high); target.setAttribute("visibility", "visible"); }
  const mark = gauge.querySelector(".mark");
  mark.setAttribute("visibility", value === null ? "hidden" : "visible");
  if (value !== null) mark.setAttribute("cx", place(value));
}

/** Return the word for a torque: kind of shape, text, style. */
function torqueWord(words, run, value) {
  const say = (key, values) => words.text(`band.${key}`, values);
  if ("saturated" in run.faults) return ["bad", say("saturated", { limit: `${run.band.limit} ${words.symbol(run.band.unit)}` }), "bad"];
  if (value === null) return ["none", say("none"), "warn"];
  if (STANDING.includes(run.motor)) return ["none", say("still"), "soft"];
  if (value < run.band.low) return ["low", say("below"), "warn"];
  if (value > run.band.high) return ["high", say("above"), "warn"];
  if (!run.seek) return ["good", say("inside"), "good"];
  if (value < run.seek.low) return ["low", say("below_target"), "soft"];
  if (value > run.seek.high) return ["high", say("above_target"), "soft"];
  return ["good", say("on_target"), "good"];
}

/** Show the torque of a run (`RunView`); `value` is the newest reading. */
export function showTorque(gauge, words, run, value) {
  const band = run.band;
  if (!gauge || !band) return;
  put(part(gauge, "now"), value === null ? "–" : `${atPlace(value, 1)} ${words.symbol(band.unit)}`);
  word(part(gauge, "word"), ...torqueWord(words, run, value));
  if (!gauge.querySelector(".scale")) return;
  const beyond = value === null && "saturated" in run.faults ? band.limit : value;
  draw(gauge, { start: Math.min(0, value === null ? 0 : Math.max(value, -band.limit)), end: band.limit, low: band.low, high: band.high, value: beyond, aimed: run.seek });
}

/** Show the temperature of a run (`RunView`) against its gate; `value` is the newest reading. */
export function showTemperature(gauge, words, run, value) {
  if (!gauge) return;
  put(part(gauge, "now"), value === null ? "–" : `${atPlace(value, 2)} ${words.symbol("Cel")}`);
  const gate = run.temperature;
  if (!gate) return;
  const say = (key) => words.text(`band.${key}`);
  if (value === null) word(part(gauge, "word"), "none", say("none"), "warn");
  else if (value < gate.low) word(part(gauge, "word"), "low", say("below"), "warn");
  else if (value > gate.high) word(part(gauge, "word"), "high", say("above"), "warn");
  else word(part(gauge, "word"), "good", say("inside"), "good");
  const reach = Math.max(gate.high - gate.low, 1e-6);
  draw(gauge, { start: gate.low - reach, end: gate.high + reach, low: gate.low, high: gate.high, value });
}
