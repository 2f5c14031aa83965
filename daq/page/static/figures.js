// Numbers, spans and texts for the live parts of a page.  The texts come from the page (data-words); none is here.

/** Return the texts, symbols and terms of an element's page. */
export function wordsOf(element) {
  const words = JSON.parse(element.dataset.words);
  const text = (key, values = {}) => words.texts[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
  return { text, symbol: (code) => words.symbols[code] ?? code, term: (name) => words.terms[name] ?? name.replaceAll("_", " ") };
}

/** Powers of ten between which a number is written without an exponent (`PLAIN` in `daq/quality/digits.py`). */
const PLAIN = [-5, 8];

/** Return a number as whole digits and a power of ten: those of its shortest text, which the daemon rounds, too. */
function decimal(value) {
  const [, whole, part = "", power = "0"] = /^(\d+)(?:\.(\d+))?(?:e([+-]\d+))?$/.exec(String(Math.abs(value)));
  return { digits: BigInt(whole + part), power: Number(power) - part.length };
}

/** Return the power of ten of the first digit of a number; -Infinity for 0. */
function order(value) {
  const { digits, power } = decimal(value);
  return digits === 0n ? -Infinity : digits.toString().length - 1 + power;
}

/** Return the digits of a number before a place: a half goes to the even digit, where `toFixed` takes the binary number. */
function rounded(value, places) {
  const { digits, power } = decimal(value);
  const cut = -places - power;
  if (cut <= 0) return digits * 10n ** BigInt(-cut);
  const step = 10n ** BigInt(cut), whole = digits / step, rest = 2n * (digits % step);
  return rest > step || (rest === step && whole % 2n === 1n) ? whole + 1n : whole;
}

function plain(value, places) {
  const found = rounded(value, places);
  const text = (found * 10n ** BigInt(Math.max(0, -places))).toString().padStart(Math.max(places, 0) + 1, "0");
  const shown = places > 0 ? `${text.slice(0, -places)}.${text.slice(-places)}` : text;
  return value < 0 && found !== 0n ? `-${shown}` : shown;
}

function withExponent(value, digits) {
  let size = order(value);
  let text = size === -Infinity ? "0".repeat(digits) : rounded(value, digits - 1 - size).toString();
  if (size === -Infinity) size = 0;
  if (text.length > digits) [text, size] = [text.slice(0, digits), size + 1];
  const power = `${size < 0 ? "-" : "+"}${String(Math.abs(size)).padStart(2, "0")}`;
  return `${value < 0 ? "-" : ""}${text[0]}${digits > 1 ? `.${text.slice(1)}` : ""}e${power}`;
}

const isPlain = (size) => size >= PLAIN[0] && size <= PLAIN[1];

/** Return a number that ends at a decimal place; negative places are tens and hundreds.  As `to_place` of the daemon. */
export function atPlace(value, places) {
  const size = Math.max(order(value), -places);
  return isPlain(size) ? plain(value, places) : withExponent(value, Math.min(Math.max(places + size + 1, 1), 17));
}

/** Return a number in a number of significant digits.  As `number` of the daemon. */
export function significant(value, digits = 4) {
  if (value === 0) return "0";
  const size = order(value);
  if (!isPlain(size)) return withExponent(value, digits);
  // Rounding can add a digit: 99.996 becomes 100.0.
  const longer = rounded(value, digits - 1 - size).toString().length > digits ? 1 : 0;
  return plain(value, Math.max(0, digits - 1 - size - longer));
}

/** Return a value of a signal of a run in the digits that are known for it. */
export function digitsOf(run, signal, value) {
  if (value === null || value === undefined) return "–";
  const places = run.decimals[signal] ?? (run.units[signal] === "Cel" ? 2 : undefined);
  return places === undefined ? significant(value) : atPlace(value, places);
}

/** Return a length of time (s) in words. */
export function span(words, seconds) {
  if (seconds < 10 && seconds !== Math.trunc(seconds)) return words.text("format.seconds", { s: atPlace(seconds, 1) });
  const whole = Math.round(seconds);
  const two = (n) => String(n).padStart(2, "0");
  if (whole < 60) return words.text("format.seconds", { s: whole });
  if (whole < 3600) return words.text("format.minutes", { min: Math.floor(whole / 60), s: two(whole % 60) });
  return words.text("format.hours", { h: Math.floor(whole / 3600), min: two(Math.floor((whole % 3600) / 60)) });
}

/** Return a colour of the style sheet. */
export function colour(name) {
  const probe = document.createElement("span");
  probe.style.color = `var(${name})`;
  document.body.append(probe);
  const found = getComputedStyle(probe).color;
  probe.remove();
  return found;
}

/** Set a text only where it differs, so that nothing is drawn or read out again. */
export function put(element, text) {
  if (element && element.textContent !== text) element.textContent = text;
}

/** Return what decides how a stored result (`ResultData`) is shown; a correction or an annulment changes it. */
export function resultState(result) {
  return result && [result.value, result.quality, result.validity, result.verdict?.verdict, result.faults, result.supersedes ?? null];
}

/** Return the part of a page with a name, below an element. */
export function part(element, name) {
  return element.querySelector(`[data-live-part="${name}"]`);
}
