// Runs in one plot: each run has a colour and a pattern of dashes of its own, so that no two differ by colour alone.

import { colour } from "./figures.js";

const DASHES = [[], [12, 5], [3, 4], [14, 4, 3, 4], [7, 7], [20, 6]];
const SIZE = 14;
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

function draw(element) {
  const { runs } = JSON.parse(element.dataset.compare);
  const line = colour("--line"), soft = colour("--soft");
  const axis = { stroke: soft, font: `${SIZE}px system-ui, sans-serif`, grid: { stroke: line, width: 1 }, ticks: { show: false } };
  const series = runs.map((run, number) => ({ label: run.sample, stroke: colour(COLOURS[number]), width: 2.5, dash: DASHES[number], points: { show: false }, spanGaps: true }));
  element.replaceChildren();
  return new window.uPlot({
    width: element.clientWidth, height: element.clientHeight, legend: { show: false }, cursor: { show: true, y: false },
    scales: { x: { time: false } },
    axes: [{ ...axis, size: 36, values: (_, ticks) => ticks.map((x) => `${x} s`) }, { ...axis, size: 76, values: (_, ticks) => ticks.map((x) => `${Number(x.toPrecision(6))}`) }],
    series: [{}, ...series],
  }, joined(runs), element);
}

for (const element of document.querySelectorAll("[data-compare]")) {
  let plot = draw(element);
  new ResizeObserver(() => plot.setSize({ width: element.clientWidth, height: element.clientHeight })).observe(element);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { plot.destroy(); plot = draw(element); });
}
