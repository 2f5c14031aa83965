// A scanner is a keyboard that types fast and ends with Enter or Tab.  Its keys never press a button.

const GAP_MS = 50;
const PRESS = ["Enter", " "];

/** Send what a scanner types to `take`; keys of a person work as usual, a press of a button 50 ms later. */
export function listen(take) {
  let last = -Infinity;
  let burst = "";
  let pressing = 0;

  function settle() {
    burst = "";
  }

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    // The time of the key, not that of this call: a busy browser must not take a code apart.
    const now = event.timeStamp;
    const fast = now - last < GAP_MS;
    last = now;
    if (!fast) settle();
    const field = event.target.closest?.("input, textarea, select");
    const button = event.target.closest?.("button, summary, a");
    clearTimeout(pressing);
    if (event.key.length === 1) burst += event.key;
    const ends = event.key === "Enter" || event.key === "Tab";
    if (fast && ends && burst.length > 0) {
      event.preventDefault();
      // A pause inside a code (a busy hub, a radio link) leaves only its end in the burst; the field has all of it.
      const text = field?.id === "typed" && field.value.endsWith(burst) ? field.value : burst;
      settle();
      if (text.trim()) take(text.trim());
      return;
    }
    if (button && !field && PRESS.includes(event.key)) {
      event.preventDefault();
      if (!fast && !event.repeat) pressing = setTimeout(() => button.click(), GAP_MS + 10);
    } else if (!field && event.key.length === 1) {
      const typed = document.getElementById("typed");
      if (typed) typed.focus();
    }
  }, true);
  document.addEventListener("keyup", (event) => {
    if (event.key === " " && event.target.closest?.("button, summary")) event.preventDefault();
  }, true);
}
