"""Two persons with two browsers at one bench: both see the same, and one run starts."""

import pytest
from playwright.sync_api import expect

from daq.page.texts.texts import Texts
from tests.page.live.works import stage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
T = Texts("en")
PARTS = "['stage', 'revision', 'asks'].map(key => document.body.dataset[key]).concat([...document.querySelectorAll('h1, .bench-main, .bench-foot')].map(part => part.innerText))"
"""The texts that a person reads at a bench, without those that are live."""


@pytest.mark.parametrize("lang", ["en", "ko"])
def test_two_persons_start_one_run_and_the_second_is_refused_in_words(works_here, browser, lang):
    works, t = works_here, Texts(lang)
    sample = works.begin("lasts", "bench-2", confirmed=False)
    first, second = (works.visitor(browser, person, locale=lang) for person in ("kim", "lee"))
    tabs = [works.opened(one, "/bench/bench-2") for one in (first, second)]
    for tab in tabs:
        stage(tab, "checking")
    shown = [tab.evaluate(PARTS) for tab in tabs]
    assert shown[0] == shown[1]
    # Both touch the start before either sees what the other did: the second order is held on its way.
    held = []
    second.route("**/command", lambda route: held.append(route))  # noqa: PLW0108 - Playwright marks its handlers
    tabs[1].locator("button.main").tap()
    while not held:
        tabs[1].wait_for_timeout(10)
    tabs[0].locator("button.main").tap()
    stage(tabs[0], "running")
    held[0].continue_()
    expect(tabs[1].locator("[data-live-part=stop]")).to_contain_text(t("error.changed"))
    expect(tabs[1].locator("[data-live-part=stop]")).to_contain_text(t("error.changed_do"))
    stage(tabs[1], "running")
    for tab in tabs:
        expect(tab.locator("h1")).to_contain_text("lasts")
        expect(tab.locator("[data-live-part=readings]")).not_to_be_empty()
    with works.lab.reader() as reader:
        runs = [run for run in reader.runs(limit=-1) if run.sample == sample]
    assert [run.operator for run in runs] == ["kim"]
    # One of them stops: both see it.
    tabs[1].locator("button.stop").tap()
    for tab in tabs:
        stage(tab, "verdict")
        expect(tab.locator("h1")).to_contain_text(sample)
    shown = [tab.evaluate(PARTS) for tab in tabs]
    assert shown[0] == shown[1]
    first.close()
    second.close()


def test_the_screen_of_a_bench_starts_nothing_at_another_one_and_has_the_stops_of_both(works_here, browser):
    works = works_here
    works.begin("lasts", "bench-2", confirmed=False)
    context = works.visitor(browser, "kim", paired="bench-1")
    tab = works.opened(context, "/bench/bench-2")
    stage(tab, "checking")
    expect(tab.locator(".notice").first).to_contain_text("This is the screen of bench-1.")
    assert tab.locator("[name=command]").count() == 0
    answer = tab.evaluate(
        "async () => { const answer = await fetch('/api/v1/benches/bench-2/command', {method: 'POST', headers: {'Content-Type': 'application/json', 'X-CSRF-Token': document.body.dataset.csrf},"
        " body: JSON.stringify({command: 'confirm', seen: Number(document.body.dataset.revision)})}); return [answer.status, (await answer.json()).detail]; }"
    )
    assert answer == [403, T("bench.elsewhere.screen", own="bench-1", bench="bench-2")]
    assert works.view("bench-2")["stage"] == "checking"
    works.press("confirm", "bench-2")
    stage(tab, "running")
    tab.get_by_role("button", name="STOP bench-2").tap()
    works.until_stage("verdict", "bench-2")
    works.begin("lasts", "bench-1")
    tab.get_by_role("button", name="STOP bench-1").tap()
    works.until_stage("verdict", "bench-1")
    expect(tab.locator("[data-paired] [data-live-part=stop]")).to_contain_text(T("bench.stop.still"))
    context.close()
