"""The stop and the alarm of a bench in Chromium, on its own screen and on every other screen of a paired browser; visits that end; old measured ticks."""

import re
from contextlib import contextmanager

import pytest
from playwright.sync_api import expect

from daq.core.run import State
from daq.page.texts.texts import Texts
from tests.page.browsing import STOP_ON_TOP, chromium
from tests.page.example_pages import bench_pages, plain_desk_pages
from tests.page.example_result import RESULT
from tests.page.example_server import serving

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
LONG_MS = 30_000
T = Texts("en")
STILL = {
    "bench": "bench-1", "values": {"speed": 0.0}, "units": {}, "faults": [], "connection": "ready", "motor": "",
    "still": True, "age_s": 0.0,
}  # fmt: skip
STOP = "/api/v1/benches/bench-1/stop"


@pytest.fixture(scope="module")
def served():
    with serving([*plain_desk_pages(), *bench_pages(RESULT)]) as server, chromium() as browser:
        yield server, browser


@contextmanager
def opened(served, name, lang="en", **context):
    server, browser = served
    server.posted, server.pushed, server.refuse, server.visit = [], [], {}, None
    server.headers, server.answer = [], {}
    tab = browser.new_context(viewport={"width": 800, "height": 480}, **context).new_page()
    tab.set_default_timeout(LONG_MS)
    tab.problems = []
    tab.on("pageerror", lambda error: tab.problems.append(str(error)))
    tab.goto(server.url(server.by_name[name], lang))
    yield server, tab
    assert tab.problems == []
    tab.context.close()


def stops(server):
    return [path for path, _ in server.posted if path.endswith("/stop")]


@pytest.mark.parametrize("name", ["error-404", "log-in-first", "desk", "choosing-elsewhere"])
def test_each_screen_of_a_paired_browser_has_the_stop_and_the_alarm_of_its_bench(served, name):
    own = "bench-2" if name == "choosing-elsewhere" else "bench-1"
    name = f"bench-{name}" if name == "choosing-elsewhere" else name
    with opened(served, name) as (server, tab):
        place = tab.locator("[data-paired]")
        line, alarm = place.locator("[data-live-part=stop]"), place.locator(".alarm")
        button = tab.locator("form[data-form=paired-stop] button.stop")
        expect(alarm).to_be_hidden()
        server.pushed.append(("reading", STILL | {"bench": own, "still": False, "motor": "in_doubt"}))
        expect(alarm).to_contain_text(f"{own} {T('bench.stop.may_turn')}", timeout=LONG_MS)
        assert tab.evaluate(STOP_ON_TOP)
        # The network is cut: the words say what to do, and the stop goes on by itself when it is back.
        tab.context.set_offline(True)
        button.click()
        expect(line).to_have_text(T("bench.stop.failed"), timeout=LONG_MS)
        assert (stops(server), tab.url) == ([], server.url(server.by_name[name]))
        tab.context.set_offline(False)
        # A stream that is back begins with the newest reading, in which the motor may be still: then this follows at once.
        taken = re.compile("|".join(re.escape(T(f"bench.stop.{name}")) for name in ("taken", "still")))
        expect(line).to_contain_text(taken, timeout=LONG_MS)
        assert stops(server) == [f"/api/v1/benches/{own}/stop"]
        server.pushed.append(("reading", STILL | {"bench": own}))
        expect(line).to_contain_text(T("bench.stop.still"), timeout=LONG_MS)
        expect(alarm).to_be_hidden(timeout=LONG_MS)


COUNTED = """(() => {
  const Plain = window.EventSource;
  window.streams = [];
  window.EventSource = class extends Plain { constructor(address) { super(address); window.streams.push(this); } };
})()"""
OPEN = "number => window.streams.filter((stream) => stream.readyState !== Plain.CLOSED).length === number".replace(
    "Plain", "EventSource"
)
SEEN = "hidden => { Object.defineProperty(document, 'hidden', { value: hidden, configurable: true }); document.dispatchEvent(new Event('visibilitychange')); }"


@pytest.mark.parametrize(
    ("name", "number"), [("bench-running", 1), ("desk", 2), ("error-404", 1), ("bench-choosing-elsewhere", 2)]
)
def test_a_screen_that_is_not_seen_has_no_stream(served, name, number):
    with opened(served, name) as (_, tab):
        tab.add_init_script(COUNTED)
        tab.reload()
        for seen in (True, False, True):
            tab.evaluate(SEEN, not seen)
            tab.wait_for_function(OPEN, arg=number * seen, timeout=LONG_MS)
        tab.add_init_script(f"({SEEN})(true)")
        tab.reload()
        tab.wait_for_function(OPEN, arg=0, timeout=LONG_MS)
        tab.evaluate(SEEN, False)
        tab.wait_for_function(OPEN, arg=number, timeout=LONG_MS)


def test_a_stop_has_a_connection_where_open_screens_use_all(served):
    """A browser has six to one server; three screens of another bench have two streams each."""
    with opened(served, "bench-choosing-elsewhere") as (server, first):
        first.add_init_script(COUNTED)
        first.reload()
        for _ in range(2):
            last = first.context.new_page()
            last.goto(first.url)
            expect(last.locator("[data-paired]")).to_be_attached()
        last.locator("form[data-form=paired-stop] button.stop").click()
        expect(last.locator("[data-paired] [data-live-part=stop]")).to_contain_text(
            T("bench.stop.taken"), timeout=LONG_MS
        )
        assert stops(server) == ["/api/v1/benches/bench-2/stop"]
        # The streams of the other screens were held back as well, and are back.
        first.wait_for_function("() => window.streams.length >= 4", timeout=LONG_MS)
        first.wait_for_function(OPEN, arg=2, timeout=LONG_MS)


@pytest.mark.parametrize("lang", ["en", "ko"])
def test_a_run_is_stopped_from_its_screen_in_every_state(served, lang):
    """Each state of a run by its name, the short ones too: the stop is in sight, and is sent with the run.

    English takes every state, Korean every third one: the words of all of them are compared without a browser.
    """
    t = Texts(lang)
    states = list(State)[:: 1 if lang == "en" else 3]
    with opened(served, "bench-running", lang) as (server, tab):
        live = server.by_name["bench-running"].values["bench"]
        kept = live["run"]
        line = tab.locator("[data-live-part=stop]")
        for number, state in enumerate(states, 1):
            live["run"] = kept | {"run": f"run-{number}", "state": state.value, "motor": "turning"}
            server.pushed.append(("run", {"bench": "bench-1", "run": live["run"], "point": None}))
            tab.evaluate("document.querySelector('[data-live-part=stop]').hidden = true")
            tab.reload()
            expect(tab.locator("[data-live-part=stage]")).to_contain_text(t(f"bench.state.{state.value}"))
            assert tab.evaluate(STOP_ON_TOP), state
            tab.locator("button.stop").click()
            expect(line).to_contain_text(t("bench.stop.taken"), timeout=LONG_MS)
            assert len(stops(server)) == number
            assert server.headers[-1]["x-stop-run"] == f"run-{number}"
            # A reading of a motor that turns on is not the end of it.
            server.pushed.append(("reading", STILL | {"still": False, "values": {"speed": 3.0}}))
            expect(line).to_contain_text(t("bench.stop.taken"))
            server.pushed.clear()
        live["run"] = kept


def test_each_sending_of_a_stop_names_the_run_of_the_touch(served):
    with opened(served, "bench-running") as (server, tab):
        values = server.by_name["bench-running"].values
        kept = values["bench"]
        run, line = kept["run"], tab.locator("[data-live-part=stop]")
        server.refuse = {"/stop": 503}
        tab.locator("button.stop").click()
        expect(line).to_have_text(T("bench.stop.failed"), timeout=LONG_MS)
        # Another run is on, and shown, while the stop is sent on.
        another = run | {"run": "another", "faults": {"silent": []}}
        values["bench"] = kept | {"run": another}
        server.pushed.append(("run", {"bench": "bench-1", "run": another}))
        expect(tab.locator(".messages > :first-child")).to_contain_text("not answered", timeout=LONG_MS)
        server.answer = {"taken": False, "run": False}
        with tab.expect_request("**/stop"):
            pass
        server.refuse = {}
        expect(line).to_have_text(T("bench.stop.ended"), timeout=LONG_MS)
        named = [(sent["x-stop-run"], sent.get("x-stop-again")) for sent in server.headers]
        assert named == [(run["run"], None)] + [(run["run"], "1")] * (len(named) - 1)
        assert len(named) > 1
        assert len({sent["x-stop-key"] for sent in server.headers}) == 1
        # A further touch is a stop of the run that is shown by now.
        server.answer = {}
        tab.locator("button.stop").click()
        expect(line).to_contain_text(T("bench.stop.taken"), timeout=LONG_MS)
        last = server.headers[-1]
        assert (last["x-stop-run"], last.get("x-stop-again")) == ("another", None)
        assert last["x-stop-key"] != server.headers[0]["x-stop-key"]
        values["bench"] = kept


def test_a_stop_that_fails_is_not_shown_as_the_one_before_that_was_taken(served):
    with opened(served, "bench-checking") as (server, tab):
        line = tab.locator("[data-live-part=stop]")
        tab.locator("button.stop").click()
        expect(line).to_contain_text(T("bench.stop.taken"), timeout=LONG_MS)
        server.refuse = {"/stop": 422}  # refused: it is not sent again for long
        tab.locator("button.stop").click()
        expect(line).to_have_text(T("bench.stop.failed"), timeout=LONG_MS)
        server.pushed.append(("reading", STILL | {"still": False, "motor": "in_doubt"}))
        expect(tab.locator(".alarm").first).to_be_visible(timeout=LONG_MS)
        expect(line).to_have_text(T("bench.stop.failed"))


def test_without_scripts_the_stop_of_another_screen_is_a_form(served):
    with opened(served, "error-404", java_script_enabled=False) as (server, tab):
        tab.locator("button.stop").click()
        assert server.posted == [("/bench/bench-1/stop", "csrf=" + "c" * 43)]


@pytest.mark.parametrize("person", ["m.keeper", "", "r.viewer"])
def test_a_screen_whose_visit_has_ended_stops_and_renews_itself(served, person):
    """Its log-in goes on, has ended, or is that of another person: nothing is started in a name that the screen does not show."""
    with opened(served, "bench-checking") as (server, tab):
        server.visit = {"csrf": "n" * 43, "person": person}
        tab.locator("button.stop").click()
        expect(tab.locator("[data-live-part=stop]")).to_contain_text(T("bench.stop.taken"), timeout=LONG_MS)
        assert stops(server) == [STOP, STOP]
        # The token of another person is used for the stop alone: the screen still shows the person before.
        kept = ("c" if person == "r.viewer" else "n") * 43
        assert set(tab.evaluate("[...document.querySelectorAll('input[name=csrf]')].map(i => i.value)")) == {kept}
    with opened(served, "bench-checking") as (server, tab):
        server.visit = {"csrf": "n" * 43, "person": person}
        if person == "r.viewer":
            # The screen cannot be made anew for now: each touch is refused, not only the first one.
            tab.route("**/page/**", lambda route: route.abort())
            for _ in range(2):
                with tab.expect_response("**/session"):
                    tab.locator("button[value=confirm]").click()
            tab.unroute("**/page/**")
        else:
            with tab.expect_response(lambda answer: answer.url.endswith("/command") and answer.ok):
                tab.locator("button[value=confirm]").click()
        if person == "r.viewer":
            expect(tab.locator("[data-live-part=stop]")).to_contain_text(T("error.changed"), timeout=LONG_MS)
            assert {sent["x-csrf-token"] for sent in server.headers} == {"c" * 43}
            assert len(server.posted) == 2
        else:
            expect(tab.locator("body")).to_have_attribute(
                "data-csrf", "c" * 43, timeout=LONG_MS
            )  # that of the page made anew
            assert [path for path, _ in server.posted] == ["/api/v1/benches/bench-1/command"] * 2


def test_a_page_that_is_made_anew_brings_its_visit_and_person(served):
    with opened(served, "bench-choosing") as (server, tab):
        values = server.by_name["bench-choosing"].values
        kept = dict(values)
        values.update(csrf="d" * 43, person="r.viewer")
        view = values["bench"]["view"]
        values["bench"] = values["bench"] | {"view": view | {"revision": view["revision"] + 1}}
        server.pushed.append(("bench", values["bench"]["view"]))
        expect(tab.locator("body")).to_have_attribute("data-csrf", "d" * 43, timeout=LONG_MS)
        expect(tab.locator(".settings > summary")).to_contain_text("r.viewer")
        values.update(kept)


@pytest.mark.parametrize("name", ["checking"])
def test_a_tick_that_was_measured_is_unknown_from_two_seconds_on(served, name):
    """Readings stop while the page is followed: a frozen daemon, and a silent line."""
    with opened(served, f"bench-{name}") as (server, tab):
        measured = tab.locator(".items li[data-read]")
        assert measured.count() >= 2
        server.pushed.append(("reading", STILL))
        expect(measured.first.locator("svg").locator("visible=true")).to_have_count(1)
        for item in measured.all():
            expect(item).to_contain_text(T("bench.how.unknown"), timeout=LONG_MS)
            expect(item).to_contain_text("s old")
            expect(
                item.locator("[data-when=met], [data-when=not], [data-when=known]").locator("visible=true")
            ).to_have_count(0)
        server.pushed.append(("reading", STILL | {"values": {"speed": 0.1, "torque": 0.1, "temperature": 25.0}}))
        for item in measured.all():
            expect(item.locator("[data-when=unknown]").locator("visible=true")).to_have_count(0, timeout=LONG_MS)


def test_a_run_that_was_started_elsewhere_has_its_screen_and_offers_no_step_of_the_list(served):
    with opened(served, "bench-zeroing-other-run") as (server, tab):
        expect(tab.locator(".top")).to_contain_text("started elsewhere")
        expect(tab.locator("[data-live-part=value-row]")).to_be_visible()
        expect(tab.locator("[data-gauge=torque] [data-live-part=now]")).not_to_have_text("–")
        expect(tab.locator(".trend canvas")).to_be_visible(timeout=LONG_MS)
        expect(tab.locator(".rules .rule")).to_be_visible()
        expect(tab.locator("button[name=command], .items")).to_have_count(0)
        assert tab.evaluate(STOP_ON_TOP)
        # It ends: the list comes back by itself.
        live = server.by_name["bench-zeroing-other-run"].values["bench"]
        run = live["run"]
        live["run"] = None
        server.pushed.append(("run", {"bench": "bench-1", "run": None}))
        expect(tab.locator(".items")).to_be_visible(timeout=LONG_MS)
        expect(tab.locator("button[value=confirm]")).to_be_visible()
        live["run"] = run


def test_health_shows_its_age_is_read_anew_and_is_marked_where_that_fails(served):
    with opened(served, "health") as (server, tab):
        values = server.by_name["health"].values
        kept = values["status"]
        tab.clock.install()
        tab.reload()
        age, rows = tab.locator("[data-live-part=read-age]"), tab.locator("main tbody tr")
        expect(age).to_be_empty()
        tab.clock.run_for(2500)
        expect(age).to_contain_text("2 s old", timeout=LONG_MS)
        assert rows.count() == len(kept["instruments"])
        values["status"] = kept | {"instruments": {"bench-1": kept["instruments"]["bench-1"]}}
        tab.clock.run_for(3000)
        expect(rows).to_have_count(1, timeout=LONG_MS)
        tab.context.set_offline(True)
        tab.clock.run_for(5000)
        expect(age).to_contain_text(T("connection.lost"), timeout=LONG_MS)
        assert "line-through" in tab.locator("tbody td").first.evaluate("e => getComputedStyle(e).textDecorationLine")
        values["status"] = kept


@pytest.mark.parametrize("name", ["running", "running-seeking"])
def test_what_ends_the_run_is_drawn_and_told_at_the_trend(served, name):
    """By time and by steadiness; the rules of a level are drawn as before."""
    with opened(served, f"bench-{name}") as (server, tab):
        rules = server.by_name[f"bench-{name}"].values["bench"]["run"]["rules"]
        near = tab.locator("[data-live-part=trend-ends]")
        for rule in rules:
            expect(near).to_contain_text(f"{int(100 * rule['near'])} %", timeout=LONG_MS)
        if name == "running":
            expect(tab.locator(".trend")).to_have_attribute("data-drawn", "1", timeout=LONG_MS)
            steady = {
                "rule": "viscosity steady within 1 % over 20 s",
                "kind": "steady",
                "relative": True,
                "signal": "viscosity",
            }
            run = server.by_name["bench-running"].values["bench"]["run"]
            more = {"value": 0.023, "limit": 0.02, "near": 0.4, "met": False}
            server.pushed.append(
                (
                    "run",
                    {"bench": "bench-1", "run": run | {"run_s": run["run_s"] + 1, "rules": [*rules, steady | more]}},
                )
            )
            expect(tab.locator(".trend")).to_have_attribute("data-drawn", "3", timeout=LONG_MS)


def test_the_fault_of_now_is_whole_before_what_is_cut(served):
    with opened(served, "bench-running-doubtful") as (server, tab):
        values = server.by_name["bench-running-doubtful"].values
        run = values["bench"]["run"]
        long = "Wear gloves and goggles; the glaze has barium. " * 4
        changed = run | {"faults": {"silent": []}, "caution": long, "run_s": run["run_s"] + 1}
        values["bench"] = values["bench"] | {"run": changed}
        server.pushed.append(("run", {"bench": "bench-1", "run": changed}))
        first = tab.locator(".messages > :first-child")
        expect(first).to_contain_text("not answered", timeout=LONG_MS)
        inside = "e => { const a = e.getBoundingClientRect(), b = e.parentElement.getBoundingClientRect(); return a.top >= b.top - 1 && a.bottom <= Math.min(b.bottom, innerHeight) + 1; }"
        assert first.evaluate(inside)
        tab.locator(".messages").evaluate("e => e.scrollTo(0, e.scrollHeight)")
        assert first.evaluate(inside)
        values["bench"] = values["bench"] | {"run": run}


def test_a_result_just_measured_is_corrected_from_its_verdict(served):
    with opened(served, "bench-verdict") as (server, tab):
        tab.locator(".more > summary").click()
        link = tab.get_by_role("link", name=T("bench.verdict.correct"))
        run = server.by_name["bench-verdict"].values["bench"]["view"]["run"]
        assert link.get_attribute("href") == f"/results/{run}/changes"
        assert tab.evaluate(STOP_ON_TOP)
