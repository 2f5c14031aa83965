"""A panel of a bench: the documented command opens the bench's screen alone, and a button takes the whole panel."""

import re
import shlex
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright

import daq.page
from daq.methods.files.daemon import Page as PageFile
from daq.page.routetable import ROUTES
from tests.page.browsing import CHROMIUM, FLAGS, STOP_ON_TOP
from tests.page.example_pages import bench_pages
from tests.page.example_server import serving

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
README = Path(daq.page.__file__).parent / "README.md"


def command():
    """Return the words of the command that the page's README gives for a panel."""
    (line,) = re.findall(r"^chromium .*$", README.read_text(), re.MULTILINE)
    return shlex.split(line)


def test_the_command_opens_the_screen_of_a_bench_at_the_usual_address():
    *flags, address = command()[1:]
    assert "--kiosk" in flags
    assert all(flag.startswith("--") for flag in flags)
    port = PageFile.model_fields["listen"].default.rpartition(":")[2]
    path = address.removeprefix(f"http://127.0.0.1:{port}")
    assert [r.path for r in ROUTES if re.fullmatch(r.path.replace("{bench}", "[^/]+"), path)] == ["/bench/{bench}"]


@pytest.mark.parametrize("lang", ["en", "ko"])
def test_a_screen_of_a_bench_fills_the_panel_and_keeps_its_stop(lang):
    flags = [*FLAGS, *command()[1:-1]]
    with serving(bench_pages()) as server, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        tab = browser.new_context(viewport={"width": 800, "height": 480}, has_touch=True).new_page()
        problems = []
        tab.on("pageerror", lambda error: problems.append(str(error)))
        tab.goto(server.url(server.by_name["bench-choosing"], lang))
        for full in (True, False):
            tab.locator(".settings > summary").tap()
            tab.locator("[data-full-screen]").tap()
            tab.wait_for_function("full => (document.fullscreenElement !== null) === full", arg=full)
            tab.locator(".settings > summary").tap()
            assert tab.evaluate(STOP_ON_TOP)
        expect(tab.locator("[data-full-screen]")).to_be_hidden()
        assert problems == []
        browser.close()
