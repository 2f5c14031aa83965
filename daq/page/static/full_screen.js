// The button that gives a screen of a bench the whole panel, and takes it back.

const root = document.documentElement;

/** Show the button of a page where the browser can do it; it works for buttons that are made later, too. */
export function offerFullScreen() {
  for (const button of document.querySelectorAll("[data-full-screen]")) button.hidden = !document.fullscreenEnabled;
}

document.addEventListener("click", (event) => {
  if (!event.target.closest?.("[data-full-screen]")) return;
  (document.fullscreenElement ? document.exitFullscreen() : root.requestFullscreen()).catch(() => {});
});
