"""The live hub: newest state first, slow browsers lose old states only, ages grow, a lost daemon is named."""

import asyncio
import random
from dataclasses import replace

import pytest

from daq.app.screens.bench.bench_view import BenchView
from daq.app.screens.bench.live_frame import LiveFrame, LiveReading
from daq.app.screens.run_view import TemperatureGate
from daq.core.errors import LinkError
from daq.page.livehub import MOST_BROWSERS, LiveHub
from tests.support.views import MEASURING

pytestmark = pytest.mark.asyncio


class Daemon:
    """A daemon that sends the frames of a queue; None ends it, an error is raised."""

    def __init__(self):
        self.frames = asyncio.Queue()

    async def live(self):
        while (frame := await self.frames.get()) is not None:
            if isinstance(frame, Exception):
                raise frame
            yield frame


class Clock:
    now = 100.0

    def __call__(self):
        return self.now


def reading(value, age=0.0):
    return LiveReading(values={"torque": value}, units={"torque": "%"}, connection="ready", still=True, age_s=age)


def frame(bench="bench-1", value=1.0, revision=1, age=0.0):
    view = BenchView(bench=bench, stage="choosing", revision=revision)
    return LiveFrame({bench: reading(value, age)}, {bench: view}, {})


def hub_with(*frames):
    hub = LiveHub(Daemon(), Clock())
    for each in frames:
        hub.take(each)
    return hub


async def waiting(events, number):
    return [await anext(events) for _ in range(number)]


async def test_the_newest_state_comes_first():
    hub = hub_with(frame(value=1.0, revision=1), frame(value=2.0, revision=2), frame("bench-2"))
    found = await waiting(hub.events(), 7)
    assert found[0] == ("link", {"daemon": True, "reason": ""})
    kinds = [(kind, data.get("bench")) for kind, data in found[1:]]
    assert kinds == [(k, b) for b in ("bench-1", "bench-2") for k in ("bench", "run", "reading")]
    assert found[1][1]["revision"] == 2
    assert found[3][1]["values"] == {"torque": 2.0}
    only = await waiting(hub.events("bench-2"), 4)
    assert {data.get("bench") for kind, data in only if kind != "link"} == {"bench-2"}


async def test_a_slow_browser_loses_old_states_and_never_the_newest():
    rng = random.Random(5)
    hub = hub_with(frame())
    events = hub.events()
    await waiting(events, 4)
    newest = {}
    for number in range(1000):
        bench = f"bench-{rng.randint(1, 3)}"
        hub.take(frame(bench, float(number), number))
        newest[bench] = float(number)
    (browser,) = hub._browsers
    assert len(browser.waiting) <= 3 * 3
    shown = {
        data["bench"]: data["values"]["torque"]
        for kind, data in await waiting(events, len(browser.waiting))
        if kind == "reading"
    }
    assert shown == newest


async def test_an_old_value_has_its_age():
    clock = Clock()
    hub = LiveHub(Daemon(), clock)
    hub.take(frame(age=0.5))
    clock.now += 3.0
    assert hub.bench("bench-1")["reading"]["age_s"] == 3.5
    assert (await waiting(hub.events(), 4))[3][1]["age_s"] == 3.5


async def test_a_lost_daemon_is_named_and_its_runs_are_forgotten(monkeypatch):
    monkeypatch.setattr("daq.page.livehub.AGAIN_S", 0.0)
    daemon = Daemon()
    hub = LiveHub(daemon, Clock())
    following = asyncio.create_task(hub.run())
    daemon.frames.put_nowait(frame())
    await hub.ready.wait()
    events = hub.events()
    await waiting(events, 4)
    daemon.frames.put_nowait(LinkError("the daemon was killed"))
    assert await anext(events) == ("link", {"daemon": False, "reason": "the daemon was killed"})
    assert hub.bench("bench-1")["view"]["revision"] == 1  # shown with its age, not as now
    daemon.frames.put_nowait(frame("bench-2", revision=9))
    kinds = [kind for kind, _ in await waiting(events, 3)]
    assert kinds == ["link", "bench", "reading"]
    assert hub.names() == ["bench-2"]
    following.cancel()
    await asyncio.gather(following, return_exceptions=True)


async def test_while_the_first_frames_of_a_returned_daemon_arrive_no_bench_is_denied(monkeypatch):
    """Each prefix of the first frames is incomplete; `ready` states so."""
    monkeypatch.setattr("daq.page.livehub.AGAIN_S", 0.0)
    daemon = Daemon()
    hub = LiveHub(daemon, Clock())
    following = asyncio.create_task(hub.run())
    names = [f"bench-{n}" for n in range(4)]
    for _ in range(3):
        for name in names:
            daemon.frames.put_nowait(replace(frame(name), more=name != names[-1]))
            while name not in hub.names() or not hub.link["daemon"]:
                await asyncio.sleep(0)
            assert hub.ready.is_set() == (hub.names() == names)
        daemon.frames.put_nowait(LinkError("the daemon was killed"))
        while hub.link["daemon"]:
            await asyncio.sleep(0)
        assert hub.ready.is_set()
    following.cancel()
    await asyncio.gather(following, return_exceptions=True)


async def test_the_end_of_the_page_reaches_every_browser():
    hub = hub_with(frame())
    browsers = [hub.events() for _ in range(5)]
    for events in browsers:
        await waiting(events, 4)
    hub.close()
    for events in browsers:
        assert await anext(events) == ("bye", {})
        with pytest.raises(StopAsyncIteration):
            await anext(events)
    assert hub.browsers == 0


async def test_the_number_of_browsers_is_bounded():
    hub = hub_with(frame())
    browsers = [hub.events() for _ in range(MOST_BROWSERS)]
    for events in browsers:
        await anext(events)
    with pytest.raises(LinkError, match="too many"):
        await anext(hub.events())
    await browsers[0].aclose()
    await anext(hub.events())


async def test_a_visitor_who_loses_the_role_loses_the_stream():
    clock = Clock()
    hub = LiveHub(Daemon(), clock)
    hub.take(frame())

    async def no_more():
        return False

    events = hub.events(allowed=no_more)
    await waiting(events, 4)
    hub.take(frame(value=2.0))
    assert (await anext(events))[0] == "bench"  # before the next time of asking
    await anext(events)
    clock.now += 60.0
    hub.take(frame(value=3.0))
    assert await anext(events) == ("bye", {})


async def test_a_browser_hears_of_the_link_where_nothing_happens(monkeypatch):
    monkeypatch.setattr("daq.page.livehub.QUIET_S", 0.0)
    hub = hub_with(frame())
    events = hub.events()
    await waiting(events, 4)
    for _ in range(3):
        assert await anext(events) == ("link", {"daemon": True, "reason": ""})
    hub.take(frame(value=2.0))
    assert [kind for kind, _ in await waiting(events, 2)] == ["bench", "reading"]


async def test_a_reading_that_waited_for_its_browser_is_sent_with_the_age_it_has_then():
    clock = Clock()
    hub = LiveHub(Daemon(), clock)
    hub.take(frame(age=0.5))
    events = hub.events()
    await waiting(events, 3)
    clock.now += 10.0
    kind, data = await anext(events)
    assert (kind, data["age_s"], data["sent_s"]) == ("reading", 10.5, clock.now)


def run_at(bench, signal):
    gate = TemperatureGate(signal, 24.9, 25.1) if signal else None
    return replace(MEASURING, instrument=bench, temperature=gate)


@pytest.mark.parametrize("by", ["view", "run"])
async def test_the_screen_of_a_bench_has_the_readings_of_its_companion_with_their_own_age(by):
    clock = Clock()
    hub = LiveHub(Daemon(), clock)
    hub.take(LiveFrame({"bath": reading(25.0, 0.5)}))
    hub.take(frame())
    events, other = hub.events("bench-1"), hub.events("bench-2")
    await waiting(events, 4)
    await anext(other)
    clock.now += 3.0
    view = BenchView(bench="bench-1", stage="checking", revision=2, signal="bath.temperature" if by == "view" else "")
    hub.take(
        LiveFrame({}, {"bench-1": view}, {"bench-1": run_at("bench-1", "bath.temperature" if by == "run" else "")})
    )
    # From now on its screen shows a value of the bath: it has the reading at once, as old as it is.
    found = dict(await waiting(events, 3))
    given = found["companion"]
    assert (given["bench"], given["instrument"], given["age_s"], given["values"]) == (
        "bench-1",
        "bath",
        3.5,
        {"torque": 25.0},
    )
    assert hub.bench("bench-1")["companions"]["bath"]["age_s"] == 3.5
    hub.take(LiveFrame({"bath": reading(25.1)}))
    kind, given = await anext(events)
    assert (kind, given["instrument"], given["age_s"]) == ("companion", "bath", 0.0)
    # A browser that comes later has it among the first events; that of another bench has none.
    late = hub.events("bench-1")
    assert [kind for kind, _ in await waiting(late, 5)] == ["link", "bench", "run", "reading", "companion"]
    (browser,) = [b for b in hub._browsers if b.bench == "bench-2"]
    assert not browser.waiting
    # The next sample needs no bath.
    hub.take(LiveFrame({}, {"bench-1": replace(view, signal="")}, {"bench-1": None}))
    assert hub.bench("bench-1")["companions"] == {}
