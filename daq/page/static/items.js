// The items of a checklist that the daemon reads: each as its newest reading has it, and unknown where that is old.

import { atPlace, part, put } from "./figures.js";
import { OLD_S } from "./stream.js";

/** Return whether a reading meets an item; null where it says nothing about it. */
function isMet(item, value, reading) {
  if (item.dataset.read === "still") return reading.still;
  if (value === null) return null;
  return Number(item.dataset.low ?? -Infinity) <= value && value <= Number(item.dataset.high ?? Infinity);
}

/** Show the items below an element; `readOf` returns the newest reading of an instrument ("" for that of the bench) and its age (s). */
export function showItems(page, words, readOf, lost) {
  for (const item of page.querySelectorAll("[data-read]")) {
    const { reading, age } = readOf(item.dataset.by);
    const value = reading?.values[item.dataset.read] ?? null;
    // A value that was read by a key counts for longer than it is new: its age is shown beside it.
    const counts = reading && !lost && age < Number(item.dataset.longest) && !item.hasAttribute("data-needs-key");
    const met = counts ? isMet(item, value, reading) : null;
    const now = met === null ? ["unknown"] : [met ? "met" : "not", "known"];
    for (const shown of item.querySelectorAll("[data-when]")) shown.hidden = !now.includes(shown.dataset.when);
    item.dataset.kind = met === false ? "not" : "met";
    if (met !== null && value !== null) put(part(item, "item-value"), `${atPlace(value, 2)} ${words.symbol(item.dataset.unit)}`);
    const seen = age >= OLD_S && Number.isFinite(age) ? words.text("connection.age", { seconds: Math.floor(age) }) : "";
    for (const place of ["item-age", "item-seen"]) put(part(item, place), seen);
  }
}
