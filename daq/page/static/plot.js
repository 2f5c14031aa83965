// A plot over time (s) in the colours of the page, drawn again where its size or the theme changes.

import { colour } from "./figures.js";

const SIZE = 14;

function make(element, data, series, { span = null, unit = "" }) {
  const soft = colour("--soft");
  const axis = { stroke: soft, font: `${SIZE}px system-ui, sans-serif`, grid: { stroke: colour("--line"), width: 1 }, ticks: { show: false } };
  const fill = colour("--span");
  const shade = (u) => {
    const a = Math.max(u.valToPos(span[0], "x", true), u.bbox.left);
    const b = Math.min(u.valToPos(span[1], "x", true), u.bbox.left + u.bbox.width);
    u.ctx.fillStyle = fill;
    u.ctx.fillRect(a, u.bbox.top, Math.max(b - a, 1), u.bbox.height);
  };
  element.replaceChildren();
  return new window.uPlot({
    width: element.clientWidth, height: element.clientHeight, legend: { show: false }, cursor: { show: true, y: false },
    scales: { x: { time: false } },
    axes: [{ ...axis, size: 36, values: (_, ticks) => ticks.map((x) => `${x} s`) }, { ...axis, ...(unit ? { label: unit, labelFont: axis.font, labelSize: 24 } : {}), size: 76, values: (_, ticks) => ticks.map((x) => `${Number(x.toPrecision(6))}`) }],
    series: [{}, ...series().map((one) => ({ width: 2.5, points: { show: false }, ...one }))],
    hooks: span ? { drawClear: [shade] } : {},
  }, data, element);
}

/**
 * Draw series over time in an element.
 * `data` has the times (s), then the values of each series; `series` returns their options in the colours of the theme.
 * Of the options, `span` has begin and end (s) of a span to shade, and `unit` is the unit of the values.
 */
export function plot(element, data, series, options = {}) {
  let drawn = make(element, data, series, options);
  new ResizeObserver(() => drawn.setSize({ width: element.clientWidth, height: element.clientHeight })).observe(element);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { drawn.destroy(); drawn = make(element, data, series, options); });
}
