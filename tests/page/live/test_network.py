"""The network of a browser is cut and returns: no old value is shown as one of now, the newest state comes first, and the run goes on."""

import pytest
from playwright.sync_api import expect

from tests.page.browsing import until
from tests.page.live.works import stage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
WATCH = """{ window.wrong = []; window.seen = []; let received = performance.now();
  const Source = window.EventSource;
  window.EventSource = class extends Source { constructor(...given) { super(...given); window.seen = [];
    for (const name of ['link', 'bench', 'run', 'reading']) this.addEventListener(name, event => {
      const data = JSON.parse(event.data); window.seen.push([name, data.run?.sample]);
      if (name === 'reading') received = performance.now() - 1000 * (data.age_s ?? 0); }); } };
  let before = false;
  setInterval(() => { const old = (performance.now() - received) / 1000; const beside = document.querySelector('[data-live-part=value-age]');
    const bad = old > 2 && beside !== null && (beside.hidden || !beside.closest('[data-live-part=value-row]').classList.contains('stale'));
    if (bad && before) window.wrong.push(old);
    before = bad; }, 250); }"""
"""Keeps each moment in which a value older than 2 s has no age beside it, although the screen has counted since; and the events of the newest stream."""
LOST, AGE = ".lost", "[data-live-part=value-age]"


@pytest.mark.parametrize("way", ["offline", "held", "forgotten"])
def test_a_network_that_fails_and_returns(works_here, browser, way):
    """It is refused; it says nothing for a time; or it says nothing for ever on the old connections, as a router that has forgotten them."""
    works, laid = works_here, works_here.cable
    context = works.visitor(browser, paired="bench-1")
    context.add_init_script(WATCH)
    tab = works.opened(context, by_cable=True)
    works.begin("lasts")
    stage(tab, "running")
    expect(tab.locator("[data-live-part=readings]")).not_to_be_empty()
    expect(tab.locator(LOST)).to_be_hidden()
    if way == "offline":
        context.set_offline(True)
        laid.cut()
    else:
        laid.hold()
    expect(tab.locator(AGE)).to_be_visible()
    assert "stale" in tab.locator("[data-live-part=value-row]").get_attribute("class")
    expect(tab.locator(LOST)).to_be_visible()
    # The run goes on without the page; another person ends it, and begins the next one.
    assert works.lab.bench.turning
    sample = works.begin("lasts")
    assert tab.locator("body").get_attribute("data-stage") == "running"
    assert sample not in tab.inner_text("h1")
    laid.mend(new_connections=way == "forgotten")
    context.set_offline(False)
    expect(tab.locator(LOST)).to_be_hidden()
    expect(tab.locator("h1")).to_contain_text("lasts")
    until(tab, "sample => window.seen.some(([, found]) => found === sample)", sample)
    order = tab.evaluate("window.seen")
    assert [name for name, _ in order[:4]] == ["link", "bench", "run", "reading"]
    assert {found for _, found in order} <= {None, sample}
    expect(tab.locator(AGE)).to_be_hidden()
    assert works.lab.bench.turning
    # A stop finds its way, whatever has become of the connections of before.
    tab.locator("button.stop").tap()
    stage(tab, "verdict")
    expect(tab.locator("h1")).to_contain_text(sample)
    assert tab.evaluate("window.wrong") == []
    context.close()
