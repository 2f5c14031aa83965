"""An open page of a result says that the result was changed since, or that it cannot know; and results put in doubt."""

from html import unescape

import pytest
from playwright.sync_api import expect

from daq.adapters.store.reading import Reader
from daq.app.daemon.queries.registry import answered
from daq.page.shown.environment import render
from daq.page.texts.texts import LANGUAGES, Texts
from tests.page.browsing import chromium
from tests.page.example_desk import CHECK, desk_screens
from tests.page.example_pages import NOW, ExamplePage, frame
from tests.page.example_result import CHANGES_SINCE, HISTORY
from tests.page.example_server import serving
from tests.support.runs.full_database import make_full_database

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
LONG_MS = 30_000
EVERY_MS = 20_000


def example():
    return ExamplePage("result", "/results/x", "result.html", frame("/results/x", history=dict(HISTORY), entry={}))


@pytest.mark.parametrize("lang", LANGUAGES)
def test_an_open_result_says_that_it_was_superseded_and_that_it_cannot_know(lang):
    t = Texts(lang)
    with serving([example()]) as server, chromium() as browser:
        tab = browser.new_context(viewport={"width": 800, "height": 480}).new_page()
        tab.set_default_timeout(LONG_MS)
        tab.clock.install()
        tab.goto(server.url(server.by_name["result"], lang))
        changed, unchecked = (
            tab.get_by_text(t("desk.result.changed_since")),
            tab.get_by_text(t("desk.result.unchecked")),
        )

        def later():
            with tab.expect_response("**/page/result"):
                tab.clock.fast_forward(EVERY_MS + 1000)

        # Each state is shown once before it is expected hidden: hidden it is at the start, too.
        for more in CHANGES_SINCE.values():
            server.by_name["result"].values["history"] = HISTORY | more
            later()
            expect(changed).to_be_visible()
            assert tab.evaluate("getComputedStyle(document.querySelector('.headline .digits')).textDecorationLine") == "line-through"  # fmt: skip
            server.by_name["result"].values["history"] = dict(HISTORY)
            later()
            expect(changed).to_be_hidden()
        # A page that gets no answer must not look checked.
        tab.route("**/page/result", lambda route: route.fulfill(status=503, body=""))
        later()
        expect(unchecked).to_be_visible()
        tab.unroute("**/page/result")
        later()
        expect(unchecked).to_be_hidden()
        expect(changed).to_be_hidden()


def test_the_page_of_a_result_before_a_failed_verification_tells_of_the_doubt(tmp_path):
    database = make_full_database(tmp_path)
    ((template, values),) = (
        (seen["template"], seen["values"]) for name, _, seen in desk_screens(database) if name == "desk-result-doubted"
    )
    run, doubts = values["history"]["run"]["id"], values["history"]["doubts"]
    assert [(d["code"], d["parameters"]["verification"]) for d in doubts] == [("verification_failed_after", CHECK)]
    for lang in LANGUAGES:
        assert Texts(lang).sentence(doubts[0]) in unescape(render(template, lang, values))
    # Before that verification there is no doubt.
    with Reader(database) as reader:
        assert answered(reader, "run", {"run": run}, NOW)["history"]["doubts"] == []
