"""The trend of a run that the page keeps: bounded, of this run alone, and each value at the time at which it was read."""

import random
from dataclasses import replace

import pytest

from daq.app.screens.bench.live_frame import LiveFrame, LiveReading
from daq.core.errors import LinkError
from daq.page.livehub import LiveHub
from daq.page.routetable import API
from daq.page.trends import MOST_POINTS, SPARE, Trends
from tests.page.example_pages import RUN
from tests.page.visiting import BENCH, Page
from tests.support.laboratories import laboratory

SIGNAL = "viscosity"
HOURS_8 = 8 * 3600 * 4
"""Views of a run in 8 h, four a second."""


def view(run_s, value, run="r-1", **more):
    return replace(RUN, run=run, run_s=run_s, signals={**RUN.signals, SIGNAL: value}, **more)


class Clock:
    now = 1000.0

    def __call__(self):
        return self.now


class Bench:
    """A bench whose signal is the time of its reading since the start of the page, plus 1e6 for each run."""

    def __init__(self):
        self.clock = Clock()
        self.hub = LiveHub(None, self.clock)
        self.run, self.began, self.read_at, self.value = 0, 0.0, 0.0, None

    def begin(self):
        self.run, self.began = self.run + 1, self.clock.now
        self.read()

    def read(self):
        self.read_at, self.value = self.clock.now, 1e6 * self.run + self.clock.now
        self.send(reading=True)

    def end(self):
        self.hub.take(LiveFrame({}, {}, {BENCH: None}))

    def send(self, *, reading=False):
        """Send a frame of now with the view of the run; `reading`: and with the newest reading."""
        age = self.clock.now - self.read_at
        newest = LiveReading(values={SIGNAL: self.value}, units={}, connection="in_run", still=False, age_s=age)
        now = view(self.clock.now - self.began, self.value, f"r-{self.run}")
        self.hub.take(LiveFrame({BENCH: newest} if reading else {}, {}, {BENCH: now}))

    def reconnect(self):
        """Lose the daemon for a time, and get its first frame again, with everything."""
        self.clock.now += 3.0
        self.hub._begin_again()
        self.send(reading=True)
        self.hub._trends.keep(self.hub._runs)


def test_eight_hours_take_no_more_memory_than_ten_minutes():
    trends, run = Trends(), {"run": "r-1", "value": {"name": SIGNAL}, "temperature": None, "units": {SIGNAL: "mPa.s"}}
    longest = 0
    for number in range(1, HOURS_8 + 1):
        now = number / 4
        trends.take(BENCH, run | {"run_s": now, "signals": {SIGNAL: float(number)}}, (now, now), now)
        longest = max(longest, len(trends.of(BENCH).times))
    assert longest <= MOST_POINTS + SPARE
    kept = trends.of(BENCH).points()
    assert kept["values"] == [float(n) for n in range(HOURS_8 - MOST_POINTS + 1, HOURS_8 + 1)]
    assert kept["times"] == [n / 4 for n in range(HOURS_8 - MOST_POINTS + 1, HOURS_8 + 1)]


@pytest.mark.parametrize("seed", range(20))
def test_each_value_has_the_time_at_which_it_was_read_and_is_of_this_run(seed):
    """Readings, views without a reading, ends, new runs and losses of the daemon, in any order."""
    rng, bench = random.Random(seed), Bench()
    bench.begin()
    for _ in range(200):
        bench.clock.now += rng.choice((0.05, 0.25, 0.25, 4.0))
        act = rng.choices(("read", "send", "reconnect", "end", "begin"), (60, 30, 3, 2, 2))[0]
        if act == "end":
            bench.end()
            empty = {"run": "", "signal": "", "unit": "", "times": [], "values": [], "age_s": None}
            assert bench.hub.trend(BENCH) == {"bench": BENCH} | empty
            bench.begin()
            continue
        getattr(bench, act)()
        found = bench.hub.trend(BENCH)
        assert found["run"] == f"r-{bench.run}"
        assert found["times"] == sorted(set(found["times"]))
        read = [bench.began + t for t in found["times"]]
        assert found["values"] == pytest.approx([1e6 * bench.run + at for at in read])
        assert found["age_s"] == pytest.approx(bench.clock.now - read[-1])
        assert read[-1] <= bench.read_at + 1e-9


def test_a_reading_without_a_value_leaves_the_line_open_and_another_signal_begins_anew():
    bench = Bench()
    bench.begin()
    bench.clock.now += 1.0
    bench.value, bench.read_at = None, bench.clock.now
    bench.send(reading=True)
    assert bench.hub.trend(BENCH)["values"] == [1001000.0, None]
    bench.clock.now += 1.0
    reading = LiveReading(values={}, units={}, connection="in_run", still=False, age_s=0.0)
    waiting = replace(view(2.0, 5.0), value=None)
    bench.hub.take(LiveFrame({BENCH: reading}, {}, {BENCH: waiting}))
    found = bench.hub.trend(BENCH)
    assert (found["signal"], found["times"]) == ("temperature", [pytest.approx(2.0)])


@pytest.mark.asyncio
async def test_a_point_is_sent_once_and_the_route_has_all_of_them(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            page.parts.hub._clock = clock = Clock()
            browser, events = await page.browser(), page.parts.hub.events(BENCH)
            for _ in range(4):
                await anext(events)
            points = []
            for number in range(1, 6):
                clock.now += 0.25
                newest = LiveReading(values={SIGNAL: 1.0}, units={}, connection="in_run", still=False, age_s=0.1)
                # The last view has no reading of its own.
                frame = LiveFrame({BENCH: newest} if number < 5 else {}, {}, {BENCH: view(number / 4, float(number))})
                page.parts.hub.take(frame)
                kind, data = await anext(events)
                assert kind == "run"
                points.append(data["point"])
                if number < 5:
                    await anext(events)
            assert [p and (p["signal"], p["t"], p["value"]) for p in points] == [
                *((SIGNAL, pytest.approx(n / 4 - 0.1), float(n)) for n in range(1, 5)), None,
            ]  # fmt: skip
            found = (await browser.get(f"{API}/benches/{BENCH}/trend")).json()
            assert (found["run"], found["values"]) == ("r-1", [1.0, 2.0, 3.0, 4.0])
            assert found["age_s"] == pytest.approx(0.35)
            page.daemon.lost = LinkError("gone").args[0]
            assert (await browser.get(f"{API}/benches/nothing/trend")).status_code == 404
