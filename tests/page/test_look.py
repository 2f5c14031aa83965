"""The look in Chromium: accessible, of the sizes that gloves and two metres need, without sideways scrolling, within the policy."""

import os
import zlib

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
  return main ? [...main.querySelectorAll('.value, .gauge, .figures > div, .trend, .cups > p')].filter(row => row.checkVisibility())
    .filter(row => row.getBoundingClientRect().bottom > bottom + 0.5)
    .map(row => `${row.className || row.textContent.trim()} ${row.getBoundingClientRect().bottom - bottom}`) : []; }"""
"""The rows of a run that are cut at the lower edge, with the pixels that are missing."""
CUT_CHOICE = """() => [...document.querySelectorAll('select, input[type=month]')].filter(field => field.checkVisibility()).filter(field => {
  const c = document.createElement('canvas').getContext('2d'), s = getComputedStyle(field); c.font = `${s.fontWeight} ${s.fontSize} ${s.fontFamily}`;
  const text = field.type === 'month' ? new Date(`${field.value}-15`).toLocaleDateString('en', { month: 'long', year: 'numeric' }) : field.selectedOptions[0]?.text ?? '';
  return c.measureText(text).width > field.clientWidth - parseFloat(s.paddingLeft) - parseFloat(s.paddingRight) - (field.type === 'month' ? 24 : 14);
}).map(field => `${field.name}: ${field.selectedOptions?.[0]?.text ?? field.value}`)"""
"""The fields whose chosen words, or month, are wider than the field with its arrow or sign."""
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


def languages(name):
    """Return the languages in which a test takes a screen: one that depends on its name, or all in whole sweeps."""
    every = tuple(LANGUAGES)
    return every if os.environ.get("DAQ_WHOLE_SWEEPS") else every[zlib.crc32(name.encode()) % len(every) :][:1]


def fits(tab, page, size, at_bench):
    """Return what does not fit a panel: it scrolls sideways, a stop is hidden, a button or a digit is small, a row is cut."""
    width, height = SIZES[size]
    tab.set_viewport_size({"width": width, "height": height})
    found = []
    try:  # a plot takes its new size in one of the next frames
        tab.wait_for_function(f"{SIDEWAYS} <= 0", timeout=10_000)
    except TimeoutError:  # a loaded machine may be late, too
        if (sideways := tab.evaluate(SIDEWAYS)) > 0:
            found.append(("sideways", sideways))
    if page.values["paired"]:
        found += [] if tab.evaluate(STOP_ON_TOP) else [("stop",)]
        found += [("stop under", menu) for menu in tab.evaluate(MENUS_OVER_STOP)]
    if small := tab.evaluate(TOUCHED, int(20 * PITCH[size]) if at_bench else 48):
        found.append(("small", small))
    if page.name in ("bench-running", "bench-verdict") and tab.evaluate(DIGIT) < 25 * PITCH[size]:
        found.append(("digits", tab.evaluate(DIGIT)))
    if not at_bench and (words := tab.evaluate(CUT_CHOICE)):
        found.append(("cut words", words))
    if at_bench and size == "800x480" and (cut := tab.evaluate(CUT_IN_RUN)):
        found.append(("cut", cut))
    return found


def violations(tab, rules):
    """Return the accessibility rules that a screen breaks."""
    options = {"runOnly": rules, "resultTypes": ["violations"]}
    return [
        (v["id"], v["nodes"][0]["html"][:160], v["nodes"][0]["failureSummary"][:160])
        for v in Axe().run(tab, options=options).response["violations"]
    ]


def test_every_screen_fits_every_panel_and_axe_finds_nothing(shown):
    """Nothing scrolls sideways or is cut, stop is in sight, buttons have 20 mm at the bench and digits 25 mm; both themes."""
    server, browser = shown
    tab, found = opened(browser, "1280x800"), {}
    for page in server.by_name.values():
        at_bench = page.template == "bench.html"
        for lang in languages(page.name):
            tab.goto(server.url(page, lang))  # modules have run when the page is loaded
            for size in SIZES:
                found[page.name, lang, size] = fits(tab, page, size, at_bench)
            for theme, rules in (("light", RULES), ("dark", CONTRAST)):
                if theme == "dark":
                    tab.evaluate(DARK)
                found[page.name, lang, theme] = violations(tab, rules)
        # The words above a run differ in length.
        for lang in LANGUAGES if page.name.startswith("bench-running") else ():
            tab.set_viewport_size({"width": 800, "height": 480})
            tab.goto(server.url(page, lang))
            found[page.name, lang, "cut"] = tab.evaluate(CUT_IN_RUN)
    assert {place: faults for place, faults in found.items() if faults} == {}
    assert tab.problems == []
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
