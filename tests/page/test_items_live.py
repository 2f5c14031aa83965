"""A screen of a bench is renewed between two steps of its work: measured items, the worklist, a companion."""

import itertools
from contextlib import contextmanager
from dataclasses import replace

import pytest
from playwright.sync_api import expect

from daq.app.screens.bench.bench_view import BenchView
from daq.core.encoding import encode
from daq.page.shown.benches import bath_rows
from daq.page.texts.texts import Texts
from tests.page.browsing import chromium
from tests.page.example_pages import GEOMETRIES, RUN, bench_live, bench_pages, bench_view
from tests.page.example_result import RESULT
from tests.page.example_server import serving

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
T = Texts("en")
LONG_MS = 30_000
READY = {
    "bench": "bench-1", "values": {"torque": 0.1, "speed": 0.0, "temperature": 25.0}, "units": {}, "faults": [],
    "connection": "ready", "motor": "", "still": True, "age_s": 0.0,
}  # fmt: skip
BATH = READY | {"instrument": "bath", "values": {"temperature": 25.0}, "still": None}


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@contextmanager
def opened(browser, name):
    with serving(bench_pages(RESULT)) as server:
        page = server.by_name[f"bench-{name}"]
        tab = browser.new_context(viewport={"width": 800, "height": 480}).new_page()
        tab.set_default_timeout(LONG_MS)
        tab.goto(server.url(page))
        try:
            yield server, page.values["bench"], tab
        finally:
            tab.context.close()


def kept(server, *events):
    """Have the stream send the same events again and again, as readings that go on."""
    server.pushed[:] = list(events)

    class Again(list):
        def __getitem__(self, found):
            return list(events) if isinstance(found, slice) else super().__getitem__(found)

    server.pushed = Again(events)


@pytest.mark.parametrize(
    ("stage", "signal", "good", "bad"),
    [
        ("checking", "temperature", 25.0, 25.21),
        ("checking", "temperature", 24.8, 24.79),
        ("zeroing", "torque", 0.1, 9.0),
        ("checking", "still", True, False),
    ],
)
def test_a_measured_item_is_met_as_the_newest_reading_has_it(browser, stage, signal, good, bad):
    with opened(browser, stage) as (server, _, tab):
        item = tab.locator(f"[data-read={signal}]")
        for now, kind in ((good, "met"), (bad, "not"), (good, "met")):
            more = {"still": now} if signal == "still" else {"values": READY["values"] | {signal: now}}
            kept(server, ("reading", READY | more))
            expect(item.locator("svg").locator("visible=true")).to_have_count(1, timeout=LONG_MS)
            expect(item.locator(f"[data-when={kind}]").locator("visible=true").first).to_be_visible(timeout=LONG_MS)
            if signal != "still":
                expect(item).to_contain_text(f"{now:.2f}")


def test_the_temperature_of_a_companion_has_the_age_of_the_companion(browser):
    with opened(browser, "checking") as (server, live, tab):
        live["view"]["signal"] = "bath.temperature"
        live["companions"] = {"bath": {key: value for key, value in BATH.items() if key not in ("bench", "instrument")}}
        tab.reload()
        item = tab.locator("[data-by=bath]")
        kept(server, ("reading", READY), ("companion", BATH))
        expect(item.locator("[data-when=met]").locator("visible=true")).to_have_count(1, timeout=LONG_MS)
        # The bath falls silent; the bench is read on.
        kept(server, ("reading", READY))
        expect(item).to_contain_text("s old", timeout=LONG_MS)
        expect(item.locator("[data-when=unknown]").locator("visible=true")).to_have_count(2)
        expect(tab.locator("[data-read=still] [data-when=met]").locator("visible=true").first).to_be_visible()
        # A companion without a value says nothing either.
        kept(server, ("reading", READY), ("companion", BATH | {"values": {"temperature": None}}))
        expect(item).to_contain_text(T("bench.how.unknown"))


def test_the_temperature_of_a_run_by_a_silent_companion_is_old(browser):
    with serving(bench_pages(RESULT)) as server:
        page = server.by_name["bench-running"]
        run = replace(
            RUN,
            temperature=replace(RUN.temperature, signal="bath.temperature"),
            signals=RUN.signals | {"bath.temperature": 25.0},
        )
        reading = READY | {"values": dict(run.signals), "connection": "in_run", "still": False}
        page.values["bench"] |= bench_live(bench_view("running"), run)
        tab = browser.new_context(viewport={"width": 800, "height": 480}).new_page()
        tab.set_default_timeout(LONG_MS)
        kept(server, ("reading", reading), ("companion", BATH))
        tab.goto(server.url(page))
        gauge = tab.locator("[data-gauge=temperature]")
        expect(gauge.locator("[data-live-part=word]")).to_have_text(T("bench.band.inside"), timeout=LONG_MS)
        kept(server, ("reading", reading))
        expect(gauge.locator("[data-live-part=word]")).to_contain_text("s old", timeout=LONG_MS)
        expect(gauge).to_have_class("gauge stale")
        expect(tab.locator("[data-gauge=torque] [data-live-part=word]")).to_have_text(T("bench.band.inside"))
        tab.context.close()


UNSEEN = {"revision", "bench", "title", "run", "outcome", "validity", "verdict", "low", "high", "signal", "asks"}
"""Fields that change with a step of the work alone, or are no text of a screen."""
OTHER = {
    "connection": "connecting", "fitted": "vane-20", "out_of_service": "dented", "message": "text_ignored", "values": {"text": "x"},
    "sample": "G-9", "product": "other", "lot": "99", "method": "other 2", "caution": "Hot.", "filling": "same", "reason": "spilt",
    "draft": "a draft", "commands": (), "warm_up": True, "repeat": "cause", "stage": "discarding",
}  # fmt: skip


def others():
    """Yield each field of a view with another value, in a list of the fields of `BenchView`."""
    view = bench_view("choosing")
    listed = view.worklist
    yield from ((name, value) for name, value in OTHER.items())
    yield "worklist", listed[1:]
    yield "worklist", (replace(listed[0], in_bath_s=1800.0), *listed[1:])
    yield "cups", view.cups[1:]
    yield "cups", (replace(view.cups[0], in_bath_s=1800.0), *view.cups[1:])
    yield "items", (replace(bench_view("checking").items[0], how="skipped"),)
    yield "discard", ("G-1",)
    yield "awaited", ("G-2",)
    yield "geometry", GEOMETRIES["vane"]
    yield "result", RESULT
    yield "stirring_left_s", 12.0
    yield "resting_left_s", 12.0


SIGNED = "async views => { const { signature } = await import('/static/signature.js'); return views.map(view => signature({ view, run: null })); }"


def test_a_screen_is_made_anew_when_anything_of_its_view_is_another_one(browser):
    """Each field of a view of a bench, by its name: a field that is added to it is tested too."""
    assert {name for name, _ in others()} | UNSEEN == set(BenchView.__dataclass_fields__)
    view = bench_view("zeroing", worklist=bench_view("choosing").worklist)
    item = view.items[-1]
    assert (item.code, item.how) == ("zero", "measured")
    # Values that a script fills in, and times that it counts, make nothing anew.
    alike = [
        replace(view, items=(*view.items[:-1], replace(item, value=9.0, met=False))),
        replace(view, cups=(replace(view.cups[0], in_bath_s=view.cups[0].in_bath_s + 1.0), *view.cups[1:])),
    ]
    with opened(browser, "choosing") as (_, _, tab):
        found = tab.evaluate(SIGNED, [encode(v) for v in (view, *alike)])
        assert found[1:] == found[:1] * len(alike)
        changed = [replace(view, **{name: value}) for name, value in others()]
        signed = tab.evaluate(SIGNED, [encode(v) for v in changed])
    assert [name for (name, _), one in zip(others(), signed, strict=True) if one == found[0]] == []


@pytest.mark.parametrize("needed_s", [20.0, 90.0, 100.0, 1800.0])
def test_a_screen_is_made_anew_when_the_minutes_in_the_bath_or_their_end_are_shown_otherwise(browser, needed_s):
    view = bench_view("choosing")
    (first, *others), cup = view.worklist, view.cups[0]

    def after(seconds):
        listed = replace(first, in_bath_s=seconds, bath_s=needed_s)
        return replace(view, worklist=(listed, *others), cups=(replace(cup, sample=first.sample, in_bath_s=seconds),))

    views = [after(tenths / 10) for tenths in range(round(needed_s * 10) - 150, round(needed_s * 10) + 150)]
    shown = [[row for row in bath_rows(encode(v)) if row["sample"] == first.sample] for v in views]
    with opened(browser, "choosing") as (_, _, tab):
        signed = tab.evaluate(SIGNED, [encode(v) for v in views])
    assert [a != b for a, b in itertools.pairwise(signed)] == [a != b for a, b in itertools.pairwise(shown)]
    assert len(set(signed)) > 1


def test_a_sample_that_is_registered_elsewhere_comes_to_the_list_and_takes_no_button_from_under_a_finger(browser):
    with opened(browser, "choosing") as (server, live, tab):
        more = {**live["view"]["worklist"][0], "sample": "G-2001"}
        live["view"] = live["view"] | {"worklist": [more, *live["view"]["worklist"]]}
        button = tab.get_by_role("button", name="G-1043")
        handle = button.element_handle()
        box = button.bounding_box()
        tab.mouse.move(box["x"] + 20, box["y"] + 20)
        tab.mouse.down()
        with tab.expect_response("**/page/bench-choosing*"):
            server.pushed.append(("bench", live["view"]))
        assert handle.evaluate("element => element.isConnected")
        with tab.expect_response("**/text"):
            tab.mouse.up()
        assert server.posted == [("/api/v1/benches/bench-1/text", {"text": "G-1043", "seen": 7})]
        expect(tab.locator(".next-list .id").first).to_have_text("G-2001", timeout=LONG_MS)
