"""The stop on the screen of a paired bench without a log-in: in each phase of a run, at rest, and on every other screen."""

import pytest
from playwright.sync_api import expect

from daq.core.run import ACTIVE, State
from daq.page.texts.texts import Texts
from tests.page.browsing import STOP_ON_TOP, until
from tests.page.live.works import PHASES, stage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
T = Texts("en")
LASTING = ("waits", "soaks", "shears", "rests", "seeks", "lasts")
"""The methods that stay in a state for hours."""
BRIEF = {State.IDENTIFYING, State.STARTING_PRESHEAR, State.ENDING_PRESHEAR, State.STARTING}
SAID = """addEventListener('DOMContentLoaded', () => { window.lines = [];
  const line = document.querySelector('[data-live-part=stop]'); if (!line) return;
  const note = () => { if (!line.hidden && window.lines.at(-1) !== line.dataset.kind) window.lines.push(line.dataset.kind); };
  note(); new MutationObserver(note).observe(line, {attributes: true}); });"""
"""Notes each kind of the line below the head that a person sees, in order."""


def stopped_by_touch(works, tab, bench="bench-1"):
    """Touch the stop, and wait until it stands still; nothing hides the stop on the way, and the order is that of the motor."""
    assert tab.evaluate(STOP_ON_TOP)
    tab.evaluate("window.lines = []")
    tab.locator("button.stop").tap()
    until(tab, "window.lines?.at(-1) === 'still'")
    assert tab.evaluate("window.lines") == ["taken", "still"]
    assert not works.lab.simulators[bench].turning
    assert tab.evaluate(STOP_ON_TOP)


def test_a_paired_bench_stops_in_each_phase_and_says_so_in_the_order_of_the_motor(works_here, browser):
    works = works_here
    context = works.visitor(browser, paired="bench-1")
    context.add_init_script(SAID)
    tab = works.opened(context)
    # The others last for a moment: `tests/core/test_run.py` stops a run in each state, `test_stop_script.py` on its screen.
    assert {PHASES[method] for method in LASTING} | BRIEF == ACTIVE
    for method in LASTING:
        works.begin(method)
        expect(tab.locator("[data-live-part=stage]")).to_contain_text(T(f"bench.state.{PHASES[method]}"))
        stopped_by_touch(works, tab)
        stage(tab, "verdict")
    # After the run, and at rest: there is nothing to stop, and the stop is taken all the same.
    stopped_by_touch(works, tab)
    works.at_rest()
    stage(tab, "choosing")
    stopped_by_touch(works, tab)
    # On the list before a run, in the stages of texts, and with each menu open.
    works.begin("quick", confirmed=False)
    stage(tab, "checking")
    stopped_by_touch(works, tab)
    works.press("damage")
    stage(tab, "damaging")
    stopped_by_touch(works, tab)
    tab.locator(".settings > summary").tap()
    stopped_by_touch(works, tab)
    works.at_rest()
    context.close()


@pytest.mark.parametrize("path", ["/log-in", "/no-such-page", "/bench/bench-2", "/bench/bench-9", "/results/none"])
def test_each_other_screen_of_a_paired_browser_stops_its_bench(works_here, browser, path):
    works = works_here
    works.begin("lasts")
    context = works.visitor(browser, paired="bench-1")
    context.add_init_script(SAID)
    tab = works.opened(context, path)
    assert tab.evaluate(STOP_ON_TOP)
    address, line = tab.url, tab.locator("[data-paired] [data-live-part=stop]")
    tab.locator("[data-form=paired-stop] button.stop").tap()
    expect(line).to_contain_text(T("bench.stop.still"))
    assert not works.lab.bench.turning
    assert tab.url == address
    works.until_stage("verdict")
    # Loaded again, the screen does not repeat it.
    tab.reload()
    expect(line).to_be_hidden()
    context.close()


def test_without_scripts_the_stop_of_another_screen_goes_to_the_screen_of_its_bench(works_here, browser):
    works = works_here
    works.begin("lasts")
    context = works.visitor(browser, paired="bench-1", java_script_enabled=False)
    tab = works.opened(context, "/log-in")
    tab.locator("button.stop").tap()
    tab.wait_for_url("**/bench/bench-1")
    expect(tab.locator("[data-live-part=stop]")).to_contain_text(T("bench.stop.taken"))
    works.until_stage("verdict")
    assert not works.lab.bench.turning
    context.close()


def test_a_stop_needs_no_visit_that_is_still_good(works_here, browser):
    works = works_here
    context = works.visitor(browser, paired="bench-1")
    context.add_init_script(SAID)
    tab = works.opened(context)
    works.begin("lasts")
    stage(tab, "running")
    # The visit ends after 12 h; the screen of a bench stays open for weeks.
    context.clear_cookies(name=f"daq-visit-{works.port}")
    stopped_by_touch(works, tab)
    context.close()
