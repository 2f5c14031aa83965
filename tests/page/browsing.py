"""Chromium for tests of the page."""

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

CHROMIUM = "/usr/bin/chromium"
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run")
SIZES = {"800x480": (800, 480), "1280x800": (1280, 800), "1920x1080": (1920, 1080)}


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
"""Whether each stop is in sight as a whole, with nothing above it."""
