"""The trend of a run is there again after its page was loaded anew, and ends with its run."""

import pytest

from tests.page.browsing import DRAWN, until
from tests.page.live.works import stage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(400)]
BEGINS = "first => window.drawn && window.drawn[0][0] === first && window.drawn[0]"
POINTS = """([first, least]) => window.drawn && window.drawn[0][0] >= first && window.drawn[0].length >= least &&
  window.drawn[0]"""


def value_begins(works, context, tab):
    """Return when the trend of the value begins (s of the run): until then the page draws the temperature."""
    while True:
        found = context.request.get(f"{works.address}/api/v1/benches/bench-2/trend").json()
        if found["signal"] not in ("", "temperature") and found["times"]:
            return found["times"][0]
        tab.wait_for_timeout(20)


def test_a_page_that_is_loaded_anew_has_the_trend_of_its_run_and_of_no_other(works_here, browser):
    works = works_here
    context = works.visitor(browser, "kim", paired="bench-2")
    context.add_init_script(DRAWN)
    tab = works.opened(context, "/bench/bench-2")
    works.begin("lasts", "bench-2")
    stage(tab, "running")
    before = until(tab, POINTS, [value_begins(works, context, tab), 12])
    tab.reload()
    # The first of them was read before this page was loaded.
    after = until(tab, BEGINS, before[0])
    # The same readings at the same times, and not one more.
    assert after[: len(before)] == before
    tab.locator("button.stop").tap()
    stage(tab, "verdict")
    found = context.request.get(f"{works.address}/api/v1/benches/bench-2/trend").json()
    assert (found["run"], found["times"]) == ("", [])
    works.begin("lasts", "bench-2")
    stage(tab, "running")
    first = until(tab, POINTS, [value_begins(works, context, tab), 2])[0]
    tab.reload()
    until(tab, BEGINS, first)  # and nothing of the run before
    tab.locator("button.stop").tap()
    stage(tab, "verdict")
    context.close()
