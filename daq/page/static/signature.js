// What decides the parts of a bench's screen that the server makes: where it is another one, they are made anew.

import { resultState } from "./figures.js";

/** Return a part of a view (`this` is the object that it is in) for the signature: without times that a script counts, and values that it fills in. */
function lasting(key, value) {
  if (key === "stirring_left_s" || key === "resting_left_s") return value > 0;
  // As the server shows it: tenths of a minute where the sample needs a part of one.
  if (key === "in_bath_s" && value !== null) return [Math.floor(value / (this.bath_s % 60 ? 6 : 60)), value >= this.bath_s];
  if (key === "result") return resultState(value);
  if (key === "items") return value.map((item) => [item.code, item.how, item.value === null ? item.met : "value", item.low, item.high, item.longest_s]);
  return value;
}

/** Return what decides the parts that the server makes. */
export function signature(state) {
  const run = state.run;
  const codes = (list) => (list ?? []).map((one) => one.code);
  return JSON.stringify([
    JSON.stringify(state.view, lasting),
    run && [run.run, run.state, run.step.number, run.step.speed, run.seek?.number, run.rules.map((rule) => rule.rule), codes(run.advice), codes(run.notes), codes(run.value?.reasons), run.value === null, Object.keys(run.faults)],
  ]);
}
