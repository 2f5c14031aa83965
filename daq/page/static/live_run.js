// The live parts of a run: value, gauges, figures, rules, trend.  The rest of the page is made by the server.

import { atPlace, digitsOf, part, put, significant, span } from "./figures.js";
import { showTemperature, showTorque, word } from "./gauges.js";

const QUALITY = { Good: ["good", "quality.good", "good"], Uncertain: ["high", "quality.uncertain", "warn"], Bad: ["bad", "quality.bad", "bad"] };
const LONG = 6;

/** Show the value so far of a run (`RunView`) below an element. */
export function showValue(element, words, run) {
  const digits = part(element, "value");
  if (!digits) return;
  const value = run.value;
  const known = value !== null && value.value !== null;
  const text = known ? digitsOf(run, value.name, value.value) : "– – –";
  put(digits, text);
  const quality = value === null ? null : value.quality.split("_")[0];
  digits.classList.toggle("none", !known);
  digits.classList.toggle("long", text.length >= LONG);
  digits.classList.toggle("struck", known && quality !== "Good");
  put(part(element, "unit"), value === null ? "" : words.symbol(value.unit));
  const [kind, key, style] = QUALITY[quality] ?? ["none", "running.no_value", "soft"];
  word(part(element, "quality"), kind, words.text(key), style);
  put(part(element, "readings"), value === null ? "" : `${words.text("running.value")}, ${words.text("running.readings", { count: value.n })}`);
}

/** Return the seconds until the time of a rule is over; null where no rule is about time. */
function remaining(run) {
  const timed = run.rules.filter((rule) => rule.signal === "elapsed" && rule.kind !== "steady" && rule.value !== null);
  if (timed.length > 0) return Math.max(0, timed[0].limit - timed[0].value);
  return run.stage_of_s > 0 ? Math.max(0, run.stage_of_s - run.stage_s) : null;
}

function figure(element, name, text) {
  const box = element.querySelector(`[data-figure="${name}"]`);
  if (!box) return;
  box.hidden = text === null;
  put(part(box, "now"), text ?? "");
}

function amount(words, run, values, signal) {
  if (!(signal in values)) return null;
  const value = values[signal];
  if (value !== null && run.decimals[signal] === undefined && Math.abs(value) < 1) return `${atPlace(value, 2)} ${words.symbol(run.units[signal] ?? "1")}`.trim();
  return value === null ? "–" : `${digitsOf(run, signal, value)} ${words.symbol(run.units[signal] ?? "1")}`.trim();
}

/** Show what changes with every reading: torque, temperature, speed, rate and stress. */
export function showReading(element, words, run, values) {
  showTorque(element.querySelector('[data-gauge="torque"]'), words, run, run.band ? (values[run.band.signal] ?? null) : null);
  const signal = run.temperature?.signal ?? "temperature";
  showTemperature(element.querySelector('[data-gauge="temperature"]'), words, run, values[signal] ?? null);
  figure(element, "shear_rate", amount(words, run, values, "shear_rate"));
  figure(element, "stress", amount(words, run, values, "stress"));
  const speed = amount(words, run, values, "speed");
  figure(element, "speed", speed !== null && run.step.speed !== null ? words.text("running.set_speed", { speed: digitsOf(run, "speed", values.speed), set: `${run.step.speed} ${words.symbol("/min")}` }) : speed);
}

function ruleNow(words, run, rule) {
  if (rule.kind === "steady") {
    if (rule.value === null) return words.text("running.not_judged");
    const drift = rule.relative ? `${significant(100 * rule.value, 2)} %` : `${significant(rule.value, 2)} ${words.symbol(run.units[rule.signal] ?? "1")}`;
    return words.text("running.at_most", { drift });
  }
  if (rule.value === null) return "–";
  if (rule.signal === "elapsed") return span(words, rule.value);
  if (rule.signal === "readings") return rule.value.toFixed(0);
  return `${digitsOf(run, rule.signal, rule.value)} ${words.symbol(run.units[rule.signal] ?? "1")}`.trim();
}

function showRules(page, words, run) {
  run.rules.forEach((rule, place) => {
    const row = page.querySelector(`[data-rule="${place}"]`);
    if (!row) return;
    const near = words.text("running.near", { percent: Math.floor(100 * rule.near) });
    put(part(row, "near"), rule.met ? words.text("running.met") : `${words.text("running.rule_now", { now: ruleNow(words, run, rule) })} · ${near}`);
    row.querySelector("progress").value = 100 * rule.near;
  });
}

/** Draw at the trend what ends the run by time and by steadiness, and tell how near each rule is. */
function showEnds(page, words, run, trend) {
  const said = run.rules.map((rule, place) => {
    const row = page.querySelector(`[data-rule="${place}"]`);
    const name = row?.querySelector("[data-live-part=rule]")?.textContent;
    return name ? `${name}: ${part(row, "near").textContent}` : "";
  });
  put(part(page, "trend-ends"), said.filter((text) => text).join(" · "));
  if (!trend) return;
  const timed = run.rules.find((rule) => rule.signal === "elapsed" && rule.kind !== "steady" && rule.value !== null);
  const steady = run.rules.find((rule) => rule.kind === "steady" && rule.signal === run.value?.name);
  const mean = run.value?.value ?? null;
  const drift = steady && mean !== null ? (steady.relative ? Math.abs(mean) * steady.limit : steady.limit) : null;
  trend.ends(timed ? run.run_s + timed.limit - timed.value : null, drift === null ? null : [mean - drift / 2, mean + drift / 2]);
}

/** Show a run (`RunView`) on a page. */
export function showRun(page, words, run, trend) {
  showValue(page, words, run);
  showReading(page, words, run, run.signals);
  figure(page, "elapsed", span(words, run.run_s));
  const left = remaining(run);
  figure(page, "remaining", left === null ? null : span(words, left));
  showRules(page, words, run);
  showEnds(page, words, run, trend);
  if (!trend) return;
  follow(run, trend);
  if (!run.value) return;
  const level = run.rules.find((rule) => rule.signal === run.value.name && rule.kind !== "steady");
  if (run.value.span_s) trend.mark(run.run_s - run.value.span_s, run.run_s, level?.limit ?? null);
}

/** Begin the trend anew where its signal is another: before there is a value, it is the temperature that the run waits for. */
function follow(run, trend) {
  const shown = run.value?.name ?? run.temperature?.signal ?? "temperature";
  if (trend.signal === shown) return;
  trend.clear();
  trend.mark(null, null);
  trend.signal = shown;
}
