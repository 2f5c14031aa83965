// The readings of a run over time, with the span of the result shaded.  They come after the page: a long run takes time to compute.

import { colour } from "./figures.js";
import { plot } from "./plot.js";

function say(element, text) {
  const line = document.createElement("p");
  line.textContent = text;
  element.replaceWith(line);
}

async function show(element) {
  const answer = await fetch(element.dataset.readings, { cache: "no-store" });
  const found = await answer.json();
  if (!answer.ok) return say(element, found.detail ?? element.dataset.nothing);
  if (!found.trend) return say(element, found.trouble || element.dataset.nothing);
  const { seconds, values, begin, end, unit } = found.trend;
  plot(element, [seconds, values], () => [{ stroke: colour("--ink") }], { span: [begin, end], unit });
  return null;
}

for (const element of document.querySelectorAll("[data-readings]")) {
  show(element).catch(() => say(element, element.dataset.nothing));
}
