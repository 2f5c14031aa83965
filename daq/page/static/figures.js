// Numbers, spans and texts for the live parts of a page.  The texts come from the page (data-words); none is here.

/** Return the texts, symbols and terms of an element's page. */
export function wordsOf(element) {
  const words = JSON.parse(element.dataset.words);
  const text = (key, values = {}) => words.texts[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
  return { text, symbol: (code) => words.symbols[code] ?? code, term: (name) => words.terms[name] ?? name.replaceAll("_", " ") };
}

/** Return a number that ends at a decimal place; negative places are tens and hundreds. */
export function atPlace(value, places) {
  if (places >= 0) return value.toFixed(places);
  const step = 10 ** -places;
  return (Math.round(value / step) * step).toFixed(0);
}

/** Return a number in a number of significant digits, without an exponent. */
export function significant(value, digits = 4) {
  if (value === 0) return "0";
  const size = Math.floor(Math.log10(Math.abs(Number(value.toPrecision(digits)))));
  return value.toFixed(Math.max(0, digits - 1 - size));
}

/** Return a value of a signal of a run in the digits that are known for it. */
export function digitsOf(run, signal, value) {
  if (value === null || value === undefined) return "–";
  const places = run.decimals[signal] ?? (run.units[signal] === "Cel" ? 2 : undefined);
  return places === undefined ? significant(value) : atPlace(value, places);
}

/** Return a length of time (s) in words. */
export function span(words, seconds) {
  if (seconds < 10 && seconds !== Math.trunc(seconds)) return words.text("format.seconds", { s: seconds.toFixed(1) });
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
