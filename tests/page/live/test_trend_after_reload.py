"""The trend of a run is there again after its page was loaded anew, and ends with its run."""

import pytest

from tests.page.browsing import DRAWN, until
from tests.page.live.works import stage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]
POINTS = "least => window.drawn && window.drawn[0].length >= least && window.drawn[0]"


def test_a_page_that_is_loaded_anew_has_the_trend_of_its_run_and_of_no_other(works_here, browser):
    works = works_here
    context = works.visitor(browser, "kim", paired="bench-2")
    context.add_init_script(DRAWN)
    tab = works.opened(context, "/bench/bench-2")
    works.begin("lasts", "bench-2")
    stage(tab, "running")
    before = until(tab, POINTS, 12)
    tab.reload()
    after = until(tab, POINTS, 12)
    # The same readings at the same times, and not one more: the first of them was read before this page was loaded.
    assert after[: len(before)] == before
    tab.locator("button.stop").tap()
    stage(tab, "verdict")
    found = context.request.get(f"{works.address}/api/v1/benches/bench-2/trend").json()
    assert (found["run"], found["times"]) == ("", [])
    works.begin("lasts", "bench-2")
    stage(tab, "running")
    tab.reload()
    assert until(tab, POINTS, 2)[0] < before[-1]
    tab.locator("button.stop").tap()
    stage(tab, "verdict")
    context.close()
