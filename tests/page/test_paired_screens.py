"""Screens of a paired browser: a stop that asks nothing first, the alarm on every page, no way to a page without a stop; and no command on the panel of a bench."""

import ast
import asyncio
import re
from itertools import product
from pathlib import Path

import pytest

import daq
from daq.page.shown.benches import without_commands
from daq.page.shown.environment import render
from daq.page.shown.refused import message_words
from daq.page.texts.texts import LANGUAGES, Texts, table
from daq.page.visits.cookies import ANONYMOUS_S
from tests.page.example_pages import bench_live, bench_pages, bench_view, frame, plain_desk_pages
from tests.page.example_result import HISTORY, RESULT
from tests.page.visiting import BENCH, ORIGIN, Page
from tests.support.laboratories import laboratory, staffed

ROOT = Path(daq.__file__).parent
STOPS = (f"/bench/{BENCH}/stop", f"/api/v1/benches/{BENCH}/stop")


@pytest.mark.asyncio
async def test_a_stop_of_a_paired_bench_asks_nothing_first(tmp_path):
    """With any log-in, any token, while the daemon tells no one who a person is."""
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            browsers = [
                await page.browser(paired=BENCH),
                await page.browser("measure", paired=BENCH),
                await page.browser(ticket="x" * 43, paired=BENCH),
            ]

            async def never(_ticket):
                await asyncio.Event().wait()

            page.daemon.identify = never
            for count, (browser, path) in enumerate(product(browsers, STOPS), 1):
                headers = {"X-CSRF-Token": "of another visit"}
                response = await asyncio.wait_for(browser.post(path, headers=headers), 60)
                assert response.status_code in (200, 303)
                assert page.daemon.stopped == [BENCH] * count
            # Another bench, a foreign site, and a client with a ticket are asked as before.
            for path, origin in ((STOPS[0].replace(BENCH, "bench-2"), ORIGIN), (STOPS[1], "http://evil.example")):
                response = await browsers[0].post(path, headers={"Origin": origin})
                assert response.status_code in (401, 403)
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(browsers[0].post(STOPS[1], headers={"Authorization": "Bearer x"}), 0.2)
            assert len(page.daemon.stopped) == count


@pytest.mark.asyncio
async def test_a_visit_without_a_person_lasts_as_long_as_a_browser_keeps_it(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            for path in ("/", "/api/v1/session"):
                browser = await page.browser()
                browser.cookies.clear()
                (sent,) = (await browser.get(path)).headers.get_list("set-cookie")
                assert f"Max-Age={ANONYMOUS_S}" in sent
    assert ANONYMOUS_S >= 365 * 86_400


@pytest.mark.asyncio
async def test_every_page_and_error_of_a_paired_browser_has_the_newest_state_of_its_bench(tmp_path):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            page.parts.hub._readings[BENCH][0]["motor"] = "in_doubt"
            browser = await page.browser("measure", paired=BENCH)
            visitor = await page.browser(paired=BENCH)
            for client, path in (
                (browser, "/results"), (browser, "/results/none"), (browser, "/reports"), (browser, "/health/tokens"),
                (visitor, "/log-in"), (visitor, "/no-such-page"),
            ):  # fmt: skip
                text = (await client.get(path)).text
                alarm = re.search(r'<section class="alarm"[^>]*>', text)
                assert alarm, path
                assert "hidden" not in alarm[0], path
                assert f"<strong>{BENCH} {Texts('en')('bench.stop.may_turn')}</strong>" in text, path
                assert 'src="/static/paired_stop.js"' in text, path


ALL = {p.name: (p.template, p.values) for p in (*plain_desk_pages(), *bench_pages(RESULT))}
ALL["result"] = ("result.html", frame("/results/x", history=HISTORY, entry={}))


@pytest.mark.parametrize("name", ALL)
def test_no_link_leaves_the_screens_of_the_page(name):
    """An answer of the API has no stop and no way back: it is saved, and the screen stays."""
    template, values = ALL[name]
    for link in re.findall(r"<a [^>]*>", render(template, "en", values)):
        assert "/api/" not in link or " download=" in link, link


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_text_of_the_bench_asks_for_a_command(language):
    found = {
        key
        for key, text in table(language).items()
        if key.startswith("bench.") and re.search(r"daq [a-z]|--[a-z]", text)
    }
    assert found <= {"bench.help.fitting", "bench.message.nothing_fitted", "bench.help.ask_administrator"}
    for key in found:
        assert not re.search(r"daq (?!to )[a-z]|--[a-z]", table(language)[key]), key


def sentences():
    """Return the texts of the daemon's code that name a command: what a refusal at a bench may say."""
    found = set()
    for folder in ("laboratory", "setup", "daemon", "records", "run"):
        for path in (ROOT / "app" / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Raise):
                    found |= {"".join(_parts(text)) for text in ast.walk(node) if isinstance(text, ast.JoinedStr)}
                    found |= {
                        text.value
                        for text in ast.walk(node)
                        if isinstance(text, ast.Constant) and isinstance(text.value, str)
                    }
    return sorted(text for text in found if re.search(r"daq [a-z]+|--[a-z]", text) and " " in text.strip())


def _parts(text):
    for part in text.values:
        yield part.value if isinstance(part, ast.Constant) else "X-7"


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_reason_of_the_daemon_is_shown_at_a_bench_without_its_command(language):
    t = Texts(language)
    reasons = sentences()
    assert len(reasons) > 20
    for reason in reasons:
        shown = without_commands(t, reason).removesuffix(t("bench.help.ask_administrator"))
        assert not re.search(r"`daq|daq (?!reads|that|has|of)[a-z]+ |--[a-z]", shown), (reason, shown)
    done = "sample 'G-1' is done; `daq sample again G-1 --because TEXT` opens it again"
    view = bench_live(bench_view("choosing", message="sample_refused", values={"reason": done}))["view"]
    assert message_words(t, view) == f"sample 'G-1' is done. {t('bench.help.ask_administrator')}"
    assert without_commands(t, "bench-1 is in a run already") == "bench-1 is in a run already"


@pytest.mark.asyncio
async def test_a_stop_while_the_benches_of_a_returned_daemon_arrive_leads_to_its_screen(tmp_path, monkeypatch):
    """No bench is known yet; later a bench that is not among them is denied."""
    monkeypatch.setattr("daq.page.acting.READY_S", 0.0)
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            browser, hub = await page.browser("measure", paired=BENCH), page.parts.hub
            hub._begin_again()
            hub._set_link(reached=True)
            response = await browser.post(STOPS[0])
            assert (response.status_code, page.daemon.stopped) == (303, [BENCH])
            for path in (response.headers["location"], f"/api/v1/benches/{BENCH}"):
                assert (await browser.get(path)).status_code == 200
            hub.ready.set()
            assert (await browser.get(response.headers["location"])).status_code == 404
