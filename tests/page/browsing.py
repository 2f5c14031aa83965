"""Chromium for tests of the page."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = str(Path(__file__).parent / "chromium")
"""Debian's Chromium, without a window where this is installed, at the priority of the tests."""
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run")
SIZES = {"800x480": (800, 480), "1280x800": (1280, 800), "1920x1080": (1920, 1080)}


def until(tab: Page, condition: str, arg: Any = None) -> Any:
    """Return the value of a script's condition when it is true; the limit is that of the test.

    `wait_for_function` of Playwright evaluates inside the page, which the page's own policy forbids.
    """
    while not (found := tab.evaluate(condition, arg)):
        tab.wait_for_timeout(20)
    return found


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run Debian's Chromium for the time of a context; no browser is downloaded."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


PITCH = {"800x480": 933 / 177.8, "1280x800": 1509.4 / 256.5, "1920x1080": 2202.9 / 337.8}
"""Pixels per mm of panels of 7, 10.1 and 13.3 inch; square pixels."""
TOUCHED = """least => [...document.querySelectorAll('button, .button, summary.button, input[type=text]')]
  .filter(b => b.checkVisibility()).map(b => [b.getBoundingClientRect(), b.textContent.trim(), !!b.closest('.settings')])
  .filter(([r, , small]) => !small && (r.height < least - 0.5 || r.width < least - 0.5))
  .map(([r, text]) => `${text} ${r.width}x${r.height}`)"""
"""Buttons and fields of a page that are smaller than a number of pixels."""
STOP_ON_TOP = """() => { const stops = [...document.querySelectorAll('button.stop')]; return stops.length > 0 && stops.every(stop => {
  const r = stop.getBoundingClientRect(); const inside = r.top >= 0 && r.left >= 0 && r.bottom <= innerHeight && r.right <= innerWidth;
  const points = [[.5, .5], [.1, .1], [.9, .1], [.1, .9], [.9, .9]].map(([x, y]) => document.elementFromPoint(r.left + x * r.width, r.top + y * r.height));
  return inside && points.every(found => found?.closest('button.stop') === stop); }); }"""
"""Condition: each stop is in sight as a whole, with nothing above it."""
MENUS_OVER_STOP = f"""() => {{ const onTop = {STOP_ON_TOP};
  return [...document.querySelectorAll('.settings, .more')].filter(menu => {{ menu.open = true; const seen = onTop(); menu.open = false; return !seen; }})
    .map(menu => menu.className); }}"""
"""The menus that cover a stop when they are open."""
DRAWN = """let made; Object.defineProperty(window, 'uPlot', { configurable: true, get: () => made, set(kind) {
  made = function (options, data, element) { const plot = new kind(options, data, element), draw = plot.setData;
    window.drawn = data; plot.setData = (now, ...more) => { window.drawn = now; return draw.call(plot, now, ...more); }; return plot; };
  Object.assign(made, kind); } });"""
"""Keeps the data of the newest plot."""
