// Runs in one plot: each run has a colour and a pattern of dashes of its own, so that no two differ by colour alone.

import { colour } from "./figures.js";
import { plot } from "./plot.js";

const DASHES = [[], [12, 5], [3, 4], [14, 4, 3, 4], [7, 7], [20, 6]];
const COLOURS = ["--ink", "--accent", "--good", "--warn", "--bad", "--soft"];

/** Return the data of a plot: all times in order, and for each run its value at each of them or null. */
function joined(runs) {
  const times = [...new Set(runs.flatMap((run) => run.seconds))].sort((a, b) => a - b);
  const place = new Map(times.map((time, number) => [time, number]));
  const rows = runs.map((run) => {
    const row = new Array(times.length).fill(null);
    run.seconds.forEach((time, number) => { row[place.get(time)] = run.values[number]; });
    return row;
  });
  return [times, ...rows];
}

for (const element of document.querySelectorAll("[data-compare]")) {
  const { runs } = JSON.parse(element.dataset.compare);
  plot(element, joined(runs), () => runs.map((run, number) => ({ label: run.sample, stroke: colour(COLOURS[number]), dash: DASHES[number], spanGaps: true })));
}
