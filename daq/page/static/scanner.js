// A scanner is a keyboard that types fast and ends with Enter or Tab.  Its keys never press a button.

const GAP_MS = 50;
/** Longest pause (ms) inside one code: a busy hub or a radio link can delay the next key of a scanner by so much. */
const PAUSE_MS = 1000;
const PRESS = ["Enter", " "];

/** Send what a scanner types to `take`; keys of a person work as usual, a press of a button 50 ms later. */
export function listen(take) {
  let last = -Infinity;
  let burst = "";
  /** The keys since the last pause: the burst, or more where a key of the code came late. */
  let code = "";
  let pressing = 0;

  function settle() {
    burst = "";
  }

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    // The time of the key, not that of this call: a busy browser must not take a code apart.
    const now = event.timeStamp;
    const fast = now - last < GAP_MS;
    if (now - last >= PAUSE_MS) code = "";
    last = now;
    if (!fast) settle();
    const field = event.target.closest?.("input, textarea, select");
    const button = event.target.closest?.("button, summary, a");
    clearTimeout(pressing);
    if (event.key.length === 1) {
      burst += event.key;
      code += event.key;
    }
    const ends = event.key === "Enter" || event.key === "Tab";
    if (fast && ends && burst.length > 0) {
      event.preventDefault();
      // The end of a code can name another sample.  A field shows whether all of the code's keys were taken as text.
      const typed = document.getElementById("typed");
      const text = !typed || (field === typed && typed.value.endsWith(code)) ? code : burst;
      settle();
      code = "";
      if (text.trim()) take(text.trim());
      return;
    }
    if (ends) code = "";
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
