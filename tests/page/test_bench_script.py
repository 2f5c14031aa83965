"""The scripts of a bench in Chromium: the stop, the age of values, what a scanner may do, and the loss of the stream."""

import time
from contextlib import contextmanager

import pytest
from playwright.sync_api import expect

from tests.page.browsing import DRAWN, chromium, until
from tests.page.example_pages import bench_pages, plain_desk_pages
from tests.page.example_result import RESULT
from tests.page.example_server import serving

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
TAKEN = """window.taken = 0; const Source = window.EventSource;
window.EventSource = class extends Source { constructor(...given) { super(...given);
  for (const name of ['run', 'reading']) setTimeout(() => this.addEventListener(name, () => { window.taken += 1; })); } };"""
"""Counts the events that the page has taken."""
PAST = (
    "([first, last]) => window.drawn && window.drawn[1][0] === first && window.drawn[1].at(-1) === last && window.drawn"
)
"""The data of the plot where they are of a signal from its first kept value to the newest one."""
LONG_MS = 30_000
"""Longest wait; a machine that stalls is no fault."""
TURNING = {
    "bench": "bench-1",
    "values": {"torque": 45.2, "speed": 20.0, "temperature": 25.0},
    "units": {},
    "faults": [],
    "connection": "in_run",
    "motor": "",
    "still": False,
    "age_s": 0.0,
}


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@contextmanager
def bench(browser, name, lang="en"):
    with serving(bench_pages(RESULT)) as server:
        tab = browser.new_context(viewport={"width": 800, "height": 480}).new_page()
        tab.set_default_timeout(LONG_MS)
        tab.add_init_script(TAKEN)
        tab.goto(server.url(server.by_name[f"bench-{name}"], lang))
        try:
            yield server, tab
        finally:
            tab.context.close()


def test_the_trend_has_the_points_of_before_this_page_with_gaps_where_nothing_was_read(browser):
    with serving(bench_pages(RESULT)) as server:
        page = server.by_name["bench-running"]
        run = page.values["bench"]["run"]
        kept = {"run": run["run"], "signal": run["value"]["name"]}
        times = [n / 4 for n in range(40)] + [15 + n / 4 for n in range(40)]
        server.trend = kept | {"times": times, "values": [700.0] * 80}
        tab = browser.new_context(viewport={"width": 800, "height": 480}).new_page()
        tab.set_default_timeout(LONG_MS)
        tab.add_init_script(DRAWN)
        tab.goto(server.url(page))
        drawn = until(tab, "window.drawn && window.drawn[0][0] === 0 && window.drawn[0].at(-1) > 100 && window.drawn")
        # Between 9.75 s and 15 s, and between 24.75 s and the first point of the stream, the line is open.
        assert [n for n, value in enumerate(drawn[1]) if value is None] == [40, 81]
        assert drawn[0][:40] + drawn[0][41:81] == times
        # The points of another run, or of another signal, are not those of this one.
        for other in ({"run": "another"}, {"signal": "torque"}):
            server.trend = kept | {"times": [0.0], "values": [700.0]} | other
            with tab.expect_response("**/trend"):
                tab.reload()
            drawn = until(tab, "window.drawn && window.drawn[0].at(-1) > 100 && window.drawn")
            assert drawn[0][0] > 40
        tab.context.close()


def test_the_trend_has_its_past_where_the_signal_or_the_run_is_another_after_the_load(browser):
    """Each next kept trend is answered before the stream tells of its signal or run, as after a reload in that moment."""
    with serving(bench_pages(RESULT)) as server:
        page = server.by_name["bench-running"]
        run = page.values["bench"]["run"]
        waiting = run | {"value": None, "run_s": 1.0}
        page.values["bench"] |= {"run": waiting}
        server.beats = True  # a page that was cut off would ask for the trend in any case
        kept = {
            "temperature": {"run": run["run"], "signal": "temperature", "times": [0.5], "values": [22.0]},
            "value": {"run": run["run"], "signal": run["value"]["name"], "times": [2.0, 2.5], "values": [700.0, 701.0]},
            "next": {"run": "next", "signal": run["value"]["name"], "times": [1.0, 1.5], "values": [800.0, 801.0]},
        }
        server.trend = kept["value"]
        tab = browser.new_context(viewport={"width": 800, "height": 480}).new_page()
        tab.set_default_timeout(LONG_MS)
        tab.add_init_script(DRAWN)
        with tab.expect_response("**/trend"):
            tab.goto(server.url(page))
        until(tab, "window.drawn && window.drawn[0].length > 0")
        assert 700.0 not in tab.evaluate("window.drawn[1]")  # a viscosity is no temperature

        def then(shown, run_s, value):
            now = shown | {"run_s": run_s, "signals": shown["signals"] | {shown["value"]["name"]: value}}
            point = {"signal": shown["value"]["name"], "t": run_s, "value": value}
            server.pushed.append(("run", {"bench": "bench-1", "run": now, "point": point}))

        then(run, 3.0, 702.0)
        assert until(tab, PAST, [700, 702])[1] == [700.0, 701.0, 702.0]
        # A page that cannot be asked now is asked again.
        server.trend, server.refuse["/trend"] = kept["next"], 503
        with tab.expect_response("**/trend") as refused:
            then(run | {"run": "next"}, 2.0, 802.0)
        assert refused.value.status == 503
        del server.refuse["/trend"]
        assert until(tab, PAST, [800, 802])[1] == [800.0, 801.0, 802.0]
        tab.context.close()


def test_a_stop_is_taken_at_once_and_stands_still_only_at_speed_zero(browser):
    with bench(browser, "running") as (server, tab):
        server.pushed.append(("reading", TURNING))
        tab.locator("button.stop").click()
        line = tab.locator("[data-live-part=stop]")
        expect(line).to_contain_text("Command taken", timeout=LONG_MS)
        assert [path for path, _ in server.posted] == ["/api/v1/benches/bench-1/stop"]
        server.pushed.append(("reading", TURNING | {"values": {"speed": 3.0}}))
        expect(line).to_contain_text("Command taken")
        # A reading from before the stop, and one while the run still knows its motor as turning, say nothing about now.
        for event in (
            ("reading", TURNING | {"still": True, "age_s": 60.0, "values": {"speed": 1.25}}),
            ("run", {"bench": "bench-1", "run": None}),
            ("reading", TURNING | {"still": True, "age_s": None, "values": {"speed": 1.5}}),
            ("run", {"bench": "bench-1", "run": server.by_name["bench-running"].values["bench"]["run"]}),
            ("reading", TURNING | {"still": True, "values": {"speed": 0.0}}),
        ):
            before = tab.evaluate("window.taken")
            server.pushed.append(event)
            until(tab, "before => window.taken > before", before)
            assert "Command taken" in line.inner_text()
        server.pushed += [("run", {"bench": "bench-1", "run": None}), ("reading", TURNING | {"still": True})]
        expect(line).to_contain_text("Stands still", timeout=LONG_MS)


def test_a_value_that_the_network_kept_back_has_its_age(browser):
    with bench(browser, "running") as (server, tab):
        server.pushed += [("reading", TURNING | {"sent_s": 100.0}), ("reading", TURNING | {"sent_s": 25.0})]
        expect(tab.locator("[data-live-part=value-age]")).to_contain_text("7", timeout=LONG_MS)
        assert int(tab.locator("[data-live-part=value-age]").inner_text().split()[0]) >= 75
        # One that is as quick as the first is of now.
        now = tab.evaluate("performance.now() / 1000")
        server.pushed.append(("reading", TURNING | {"sent_s": 1e6 + now}))
        expect(tab.locator("[data-live-part=value-age]")).to_be_hidden(timeout=LONG_MS)


def test_a_page_that_the_browser_kept_is_loaded_anew(browser):
    with bench(browser, "running") as (_, tab), tab.expect_event("load"):
        tab.evaluate("setTimeout(() => dispatchEvent(new PageTransitionEvent('pageshow', { persisted: true })))")


def test_a_text_that_is_being_written_stays_and_one_that_was_taken_replaces_it(browser):
    with bench(browser, "remarking") as (server, tab):
        page = server.by_name["bench-remarking"].values["bench"]
        tab.locator("#typed").fill("half a rem")
        tab.locator("h1").click()  # the keyboard on the screen goes away
        page["view"] = page["view"] | {"connection": "connecting"}
        server.pushed.append(("bench", page["view"]))
        expect(tab.locator(".bench-head .right")).to_contain_text("connecting", timeout=LONG_MS)
        assert tab.locator("#typed").input_value() == "half a rem"
        page["view"] = page["view"] | {"draft": "Lumps or grit", "revision": 8}
        server.pushed.append(("bench", page["view"]))
        expect(tab.locator("#typed")).to_have_value("Lumps or grit", timeout=LONG_MS)


def test_a_stop_that_fails_and_a_motor_in_doubt_cannot_be_missed(browser):
    with bench(browser, "running", "ko") as (server, tab):
        server.refuse["/stop"] = 503
        tab.locator("button.stop").click()
        expect(tab.locator("[data-live-part=stop]")).to_contain_text("기기 자체의 스위치로 끄십시오", timeout=LONG_MS)
        expect(tab.locator(".alarm")).to_be_hidden()
        server.pushed.append(("reading", TURNING | {"motor": "in_doubt"}))
        expect(tab.locator(".alarm")).to_be_visible(timeout=LONG_MS)
        expect(tab.locator(".alarm")).to_contain_text("아직 돌고 있을 수 있음")


def test_the_age_of_values_is_shown_from_two_seconds_on(browser):
    with bench(browser, "running") as (server, tab):
        server.pushed.append(("reading", TURNING))
        expect(tab.locator("[data-live-part=value-age]")).to_be_visible(timeout=LONG_MS)
        assert "stale" in tab.locator("[data-live-part=value-row]").get_attribute("class")
        server.pushed.append(("reading", TURNING | {"age_s": 75.0}))
        expect(tab.locator("[data-live-part=value-age]")).to_contain_text("7", timeout=LONG_MS)
        assert int(tab.locator("[data-live-part=value-age]").inner_text().split()[0]) >= 75


def test_the_loss_of_the_daemon_is_said(browser):
    with bench(browser, "running") as (server, tab):
        expect(tab.locator(".lost")).to_be_hidden()
        server.pushed.append(("link", {"daemon": False, "reason": "ended"}))
        expect(tab.locator(".lost")).to_be_visible(timeout=LONG_MS)
        server.pushed += [("link", {"daemon": True, "reason": ""}), ("reading", TURNING)]
        expect(tab.locator(".lost")).to_be_hidden(timeout=LONG_MS)


def test_a_scanner_names_a_sample_and_presses_no_button(browser):
    with bench(browser, "checking") as (server, tab):
        start = tab.locator("button[value=confirm]")
        start.focus()
        # All keys at one time, as from a fast scanner, however late the browser takes them.
        scan = (
            "text => [...text, 'Enter'].map(key => new KeyboardEvent('keydown', { key: key === '\\r' ? 'Enter' : key, bubbles: true, cancelable: true }))"
            ".forEach((event, number) => { const late = performance.now() + (number === 1 ? 80 : 0); while (performance.now() < late); document.activeElement.dispatchEvent(event); })"
        )
        for code in (" ", "  ", "\r", "G-1042", " G 1 ", "confirm"):
            tab.evaluate(scan, code)
        # In the browser's own time: a press would come 60 ms after the last key.
        tab.evaluate("new Promise(done => setTimeout(() => done(true), 400))")
        assert server.posted == []
        # A person presses Enter alone.
        with tab.expect_response("**/command"):
            start.press("Enter")
        assert server.posted == [("/api/v1/benches/bench-1/command", {"command": "confirm", "seen": 7})]
    with bench(browser, "choosing") as (server, tab):
        with tab.expect_response("**/text"):
            tab.evaluate(scan, "G-1044")
        assert server.posted == [("/api/v1/benches/bench-1/text", {"text": "G-1044", "seen": 7})]


def scanned(tab, code, pause, pause_s=0.2):
    """Scan a code with a pause before a place; the browser's own keys have the times that are sent with them."""
    keys, now = tab.context.new_cdp_session(tab), time.time()
    for number, key in enumerate([*code, "Enter"]):
        sent = {"key": key, "timestamp": now + 0.001 * number + pause_s * (number >= pause)}
        keys.send("Input.dispatchKeyEvent", sent | {"type": "keyDown", "text": "\r" if key == "Enter" else key})
        keys.send("Input.dispatchKeyEvent", sent | {"type": "keyUp"})


def made_anew(tab):
    """Return the condition that an answer is the page itself, which is fetched again after an act."""
    return lambda answer: answer.url == tab.url.partition("?")[0]


@pytest.mark.parametrize("pause", range(1, 7))
def test_a_pause_in_the_code_of_a_scanner_does_not_shorten_it(browser, pause):
    """The end of a code can be the id of another sample.  A refused code is not in front of the next one."""
    with bench(browser, "choosing") as (server, tab):
        for code in ("G-1044", "G-1045"):
            with tab.expect_response("**/text"), tab.expect_response(made_anew(tab)):
                scanned(tab, code, pause)
            tab.wait_for_timeout(100)
        assert [sent["text"] for _, sent in server.posted] == ["G-1044", "G-1045"]


def test_a_key_of_long_before_is_no_part_of_a_code(browser):
    """A cloth on the keyboard types a 1; the cup that is scanned then is 9, and not 19."""
    with bench(browser, "choosing") as (server, tab), tab.expect_response("**/text"):
        scanned(tab, "19", 1, 2.0)
    assert [sent["text"] for _, sent in server.posted] == ["9"]


@pytest.mark.parametrize("pause", [0, 3])
def test_a_code_is_taken_in_every_stage_that_asks_for_one(browser, pause):
    taken = 0
    for page in bench_pages(RESULT):
        view = page.values["bench"]["view"]
        if view is None or view["asks"] not in ("sample", "cup") or page.values["paired"] != "bench-1":
            continue
        with bench(browser, page.name.removeprefix("bench-")) as (server, tab):
            if tab.evaluate("document.body.dataset.asks") not in ("sample", "cup"):
                continue
            with tab.expect_response("**/text"):
                scanned(tab, "G-1044", pause)
            assert [sent["text"] for _, sent in server.posted] == ["G-1044"], page.name
            taken += 1
    assert taken >= 3


def test_a_code_replaces_a_typed_text_that_was_refused(browser):
    with bench(browser, "choosing") as (server, tab):
        tab.locator("#typed").press_sequentially("G-99")
        with tab.expect_response("**/text"), tab.expect_response(made_anew(tab)):
            tab.locator("#typed").press("Enter", delay=100)
        tab.wait_for_timeout(100)
        with tab.expect_response("**/text"):
            scanned(tab, "G-1044", 0)
        assert [sent["text"] for _, sent in server.posted] == ["G-99", "G-1044"]


def test_a_touch_names_a_sample_and_a_remark_goes_with_its_confirmation(browser):
    with bench(browser, "choosing") as (server, tab):
        with tab.expect_response("**/text"):
            tab.get_by_role("button", name="G-1043").click()
        assert server.posted == [("/api/v1/benches/bench-1/text", {"text": "G-1043", "seen": 7})]
    with bench(browser, "remarking") as (server, tab):
        tab.locator("#typed").fill("a skin on the surface")
        with tab.expect_response("**/command"):
            tab.get_by_role("button", name="Store the remark").click()
        assert server.posted == [
            ("/api/v1/benches/bench-1/command", {"command": "confirm", "seen": 7, "text": "a skin on the surface"})
        ]


def test_words_follow_the_torque(browser):
    with bench(browser, "running") as (server, tab):
        word = tab.locator("[data-gauge=torque] [data-live-part=word]")
        for torque, text in ((45.0, "INSIDE"), (6.0, "BELOW"), (104.0, "ABOVE"), (None, "no reading")):
            server.pushed.append(("reading", TURNING | {"values": {"torque": torque}}))
            expect(word).to_have_text(text, timeout=LONG_MS)


def test_a_result_that_is_annulled_while_it_is_shown_is_shown_anew(browser):
    with bench(browser, "verdict") as (server, tab):
        judged = tab.locator(".judged .words")
        expect(judged).to_contain_text("VALID")
        view = server.by_name["bench-verdict"].values["bench"]["view"]
        gone = {"value": None, "quality": "Bad", "validity": "not_valid", "faults": ["annulled"]}
        view["result"] = RESULT | gone
        server.pushed.append(("bench", view))
        expect(judged).to_contain_text("NOT VALID", timeout=LONG_MS)
        expect(tab.locator(".judged .digits")).to_have_text("– – –")


def test_a_simulated_run_is_marked_from_its_first_moment(browser):
    with bench(browser, "choosing") as (server, tab):
        mark = tab.locator(".bench-head .tag")
        expect(mark).to_have_count(0)
        running = server.by_name["bench-running"].values["bench"]
        server.by_name["bench-choosing"].values["bench"].update(running)
        server.pushed += [("bench", running["view"]), ("run", {"bench": "bench-1", "run": running["run"]})]
        expect(mark).to_have_text("SIMULATED", timeout=LONG_MS)


def test_each_bench_of_the_overview_has_the_age_of_its_own_readings(browser):
    with serving(plain_desk_pages()) as server:
        tab = browser.new_context().new_page()
        tab.set_default_timeout(LONG_MS)
        tab.goto(server.url(server.by_name["desk"]))
        card = tab.locator(".bench-card[data-bench=bench-1]")
        server.pushed.append(("reading", TURNING))
        expect(card.locator("[data-live-part=value]")).not_to_have_text("–")
        # Another bench is read on; this one is silent.
        server.pushed += [("reading", TURNING | {"bench": "bench-2"})] * 3
        expect(card.locator("[data-live-part=value-age]")).to_be_visible(timeout=LONG_MS)
        assert "stale" in card.get_attribute("class")
        server.pushed.append(("reading", TURNING | {"age_s": 75.0}))
        expect(card.locator("[data-live-part=value-age]")).to_contain_text("7", timeout=LONG_MS)
        tab.context.close()


def test_an_old_torque_is_not_shown_as_one_of_now(browser):
    with bench(browser, "running") as (server, tab):
        server.pushed.append(("reading", TURNING | {"age_s": 75.0}))
        now = tab.locator("[data-gauge=torque] [data-live-part=now]")
        expect(tab.locator(".run-left")).to_have_class("run-left stale", timeout=LONG_MS)
        assert "line-through" in now.evaluate("element => getComputedStyle(element).textDecorationLine")


def test_a_run_that_comes_after_its_stage_is_shown(browser):
    with serving(bench_pages(RESULT)) as server:
        page = server.by_name["bench-running"]
        run = page.values["bench"]["run"]
        page.values["bench"]["run"] = None
        tab = browser.new_context(viewport={"width": 800, "height": 480}).new_page()
        tab.set_default_timeout(LONG_MS)
        tab.goto(server.url(page))
        row = tab.locator("[data-live-part=value-row]")
        expect(row).to_have_count(0)
        page.values["bench"]["run"] = run
        server.pushed.append(("run", {"bench": "bench-1", "run": run}))
        expect(row).to_be_visible(timeout=LONG_MS)
        expect(tab.locator(".trend canvas")).to_be_visible(timeout=LONG_MS)
        # The run ends before its stage: no value of it stays.
        page.values["bench"]["run"] = None
        server.pushed.append(("run", {"bench": "bench-1", "run": None}))
        expect(row).to_have_count(0, timeout=LONG_MS)
        tab.context.close()


def test_a_button_that_has_not_changed_is_not_replaced_under_a_finger(browser):
    with bench(browser, "choosing") as (server, tab):
        view = server.by_name["bench-choosing"].values["bench"]["view"]
        button = tab.get_by_role("button", name="G-1043").element_handle()
        view["connection"] = "connecting"
        server.pushed.append(("bench", view))
        expect(tab.locator(".bench-head .right")).to_contain_text("connecting", timeout=LONG_MS)
        assert button.evaluate("element => element.isConnected")
