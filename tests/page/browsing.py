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
