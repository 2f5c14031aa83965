"""The look in Chromium: accessible, of the sizes that gloves and two metres need, without sideways scrolling, within the policy."""

import os

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import TimeoutError  # noqa: A004 - that of the browser

from daq.page.texts.texts import LANGUAGES
from tests.page.browsing import MENUS_OVER_STOP, PITCH, SIZES, STOP_ON_TOP, TOUCHED, chromium
from tests.page.example_pages import every_page
from tests.page.example_server import serving
from tests.support.runs.full_database import make_full_database

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]
CONTRAST = {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}
"""The rules that a theme can break; the others see the same page in both."""
RULES = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
DARK = "document.documentElement.dataset.theme = 'dark'"
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
CUT_IN_RUN = """() => { const main = document.querySelector('.bench[data-stage=running] .bench-main');
  const bottom = main?.getBoundingClientRect().bottom;
  return main ? [...main.querySelectorAll('.value, .gauge, .figures > div, .trend')].filter(row => row.checkVisibility())
    .filter(row => row.getBoundingClientRect().bottom > bottom + 0.5)
    .map(row => `${row.className || row.textContent.trim()} ${row.getBoundingClientRect().bottom - bottom}`) : []; }"""
"""The rows of a run that are cut at the lower edge, with the pixels that are missing."""
DIGIT = """() => { const e = document.querySelector('.bench .digits'); const c = document.createElement('canvas').getContext('2d');
  const s = getComputedStyle(e); c.font = `${s.fontWeight} ${s.fontSize} ${s.fontFamily}`;
  return c.measureText('8').actualBoundingBoxAscent; }"""


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    pages = every_page(make_full_database(tmp_path_factory.mktemp("state")))
    with serving(pages) as server, chromium() as browser:
        yield server, browser


def opened(browser, size):
    width, height = SIZES[size]
    tab = browser.new_context(viewport={"width": width, "height": height}, reduced_motion="reduce").new_page()
    tab.problems = []
    tab.on("console", lambda message: tab.problems.append(message.text) if message.type == "error" else None)
    tab.on("pageerror", lambda error: tab.problems.append(str(error)))
    tab.on(
        "request",
        lambda request: tab.problems.append(request.url) if not request.url.startswith("http://127.0.0.1:") else None,
    )
    return tab


def taken(server, lang):
    """Return the screens that a test takes in a language."""
    place = tuple(LANGUAGES).index(lang)
    every = list(server.by_name.values())
    return every if os.environ.get("DAQ_WHOLE_SWEEPS") else every[place :: len(LANGUAGES)]


@pytest.mark.parametrize("lang", LANGUAGES)
def test_axe_finds_nothing(shown, lang):
    """Every second screen in each language, together all; `DAQ_WHOLE_SWEEPS` in the environment takes all in both."""
    server, browser = shown
    tab = opened(browser, "1280x800")
    found = {}
    for page in taken(server, lang):
        tab.goto(server.url(page, lang))  # modules have run when the page is loaded
        for theme, rules in (("light", RULES), ("dark", CONTRAST)):
            if theme == "dark":
                tab.evaluate(DARK)
            options = {"runOnly": rules, "resultTypes": ["violations"]}
            violations = Axe().run(tab, options=options).response["violations"]
            if violations:
                found[page.name, theme] = [
                    (v["id"], v["nodes"][0]["html"][:160], v["nodes"][0]["failureSummary"][:160]) for v in violations
                ]
    assert found == {}
    assert tab.problems == []
    tab.context.close()


@pytest.mark.parametrize("lang", LANGUAGES)
def test_every_screen_fits_every_panel(shown, lang):
    """Nothing scrolls sideways, stop is in sight, buttons have 20 mm at the bench and digits 25 mm; screens as above."""
    server, browser = shown
    tab = opened(browser, "1280x800")
    wide, hidden, small = [], [], {}
    for page in taken(server, lang):
        tab.goto(server.url(page, lang))
        at_bench = page.template == "bench.html"
        for size, (width, height) in SIZES.items():
            tab.set_viewport_size({"width": width, "height": height})
            try:  # a plot takes its new size in one of the next frames
                tab.wait_for_function(f"{SIDEWAYS} <= 0", timeout=10_000)
            except TimeoutError:  # a loaded machine may be late, too
                if (sideways := tab.evaluate(SIDEWAYS)) > 0:
                    wide.append((page.name, size, sideways))
            if page.values["paired"]:
                if not tab.evaluate(STOP_ON_TOP):
                    hidden.append((page.name, size))
                hidden += [(page.name, size, menu) for menu in tab.evaluate(MENUS_OVER_STOP)]
            if found := tab.evaluate(TOUCHED, int(20 * PITCH[size]) if at_bench else 48):
                small[page.name, size] = found
            if page.name in ("bench-running", "bench-verdict"):
                assert tab.evaluate(DIGIT) >= 25 * PITCH[size]
    assert (wide, hidden, small) == ([], [], {})
    assert tab.problems == []
    tab.context.close()


@pytest.mark.parametrize("lang", LANGUAGES)
def test_nothing_above_a_run_cuts_a_row_of_it(shown, lang):
    """Alarm, notices and the words of a stop, on the smallest panel: gauges, figures and trend are in sight as a whole."""
    server, browser = shown
    tab, cut = opened(browser, "800x480"), {}
    for page in server.by_name.values():
        if page.template != "bench.html":
            continue
        tab.goto(server.url(page, lang))
        if found := tab.evaluate(CUT_IN_RUN):
            cut[page.name] = found
    assert cut == {}
    tab.context.close()


def test_results_can_be_read_without_scripts(shown):
    server, browser = shown
    tab = browser.new_context(java_script_enabled=False).new_page()
    page = next(p for name, p in server.by_name.items() if name.startswith("result-"))
    tab.goto(server.url(page))
    assert tab.locator(".headline .digits").inner_text().strip()
    tab.goto(server.url(server.by_name["results"]))
    assert tab.locator("tbody tr").count() > 0
    tab.context.close()
