"""A sample at each bench by keyboard alone: nothing is touched, and every button is reached by the tabulator key."""

import pytest
from playwright.sync_api import expect

from daq.page.texts.texts import Texts
from tests.page.live.works import LONG_MS, stage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
T = Texts("en")
TOUCHES = "for (const name of ['pointerdown', 'touchstart', 'mousedown']) addEventListener(name, () => sessionStorage.setItem('touched', name), true);"
MOST_TABS = 40
APART_MS = 100
"""Time between two keys of a person; those of a scanner come within 50 ms."""


def press(tab, selector):
    """Go to a button by the tabulator key alone, and press it."""
    for _ in range(MOST_TABS):
        if tab.evaluate("selector => document.activeElement.matches(selector)", selector):
            break
        tab.keyboard.press("Tab")
        tab.wait_for_timeout(APART_MS)
    else:
        raise AssertionError(f"the tabulator key does not reach {selector}")
    # A person sees where the focus is.
    assert tab.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
    tab.keyboard.press("Enter")


def test_a_shift_over_all_benches_by_keyboard_alone(works_here, browser):
    works = works_here
    for number, bench in enumerate(works.lab.instruments):
        works.at_rest(bench)
        sample = works.sample("quick", bench)
        # The tests before have left samples; this one is the first of the list.
        lasting = f"K-{number}"
        works.act("sample_add", id=lasting, product="lasts", bench=bench, priority=1)
        context = works.visitor(browser, "kim", paired=bench, has_touch=False)
        context.add_init_script(TOUCHES)
        tab = works.opened(context, f"/bench/{bench}")
        tab.set_default_timeout(LONG_MS)
        stage(tab, "choosing")
        # The first by a scanner, which types fast; the others by a person, key by key.
        tab.keyboard.type(sample, delay=0 if number == 0 else APART_MS)
        tab.wait_for_timeout(0 if number == 0 else APART_MS)
        tab.keyboard.press("Enter")
        stage(tab, "checking")
        expect(tab.locator("h1")).to_contain_text(sample)
        works.until(lambda view: all(i["met"] for i in view["items"] if i["code"] == "motor_still"), bench)
        press(tab, "button.main")
        stage(tab, "verdict")
        assert tab.locator(".judged .digits").inner_text().strip("– ")
        press(tab, "button.main")
        stage(tab, "choosing")
        # The next one is chosen from the list, and stopped.
        press(tab, f".next-list button[value='{lasting}']")
        stage(tab, "checking")
        works.until(lambda view: all(i["met"] for i in view["items"] if i["code"] == "motor_still"), bench)
        press(tab, "button.main")
        stage(tab, "running")
        expect(tab.locator("[data-gauge=torque] [data-live-part=now]")).not_to_have_text("–")
        press(tab, "button.stop")
        expect(tab.locator("[data-live-part=stop]")).to_contain_text(T("bench.stop.still"))
        stage(tab, "verdict")
        assert tab.evaluate("sessionStorage.getItem('touched')") is None
        context.close()
    with works.lab.reader() as reader:
        done = {(run.instrument, run.outcome) for run in reader.runs(limit=-1) if run.operator == "kim"}
    assert {(bench, outcome) for bench in works.lab.instruments for outcome in ("complete", "stopped")} <= done
