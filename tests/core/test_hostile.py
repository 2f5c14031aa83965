"""One run over a matrix of hostile lines: the run ends, no damaged line becomes a value, and it replays."""

import pytest

from daq.core.driver import Reject
from daq.core.replay import replay
from daq.testing import (
    Bench,
    Clean,
    Cut,
    Delayed,
    DoubledEnds,
    FlippedBits,
    Garbage,
    Joined,
    OneByteAtATime,
)
from simulators.rotational import water
from tests.core.whole_bench import DRIVERS, bench_of
from tests.support.instruments.described import RotationalDriver, ThermometerDriver

MS = 1_000_000
LINES = {
    "clean": (Clean, True),
    "one byte at a time": (OneByteAtATime, True),
    "one byte at a time, all at once": (lambda: OneByteAtATime(0), True),
    "joined by 20 ms": (lambda: Joined(20 * MS), True),
    "joined by 450 ms": (lambda: Joined(450 * MS), False),
    "cut": (lambda: Cut(1), True),
    "cut with loss": (lambda: Cut(2, loss=0.05), False),
    "flipped bits": (lambda: FlippedBits(3, 0.05), False),
    "doubled ends": (lambda: DoubledEnds(4), True),
    "garbage between lines": (lambda: Garbage(5, 0.05), False),
    "answers of another": (
        lambda: Garbage(6, 0.2, [b"ok halt#0000\r\n", b"val 99.99 60.000 25.000 -#0000\r\n", b"\r\n"]),
        True,
    ),
    "delayed by up to 80 ms": (lambda: Delayed(80 * MS), True),
}


class Listening:
    """Simulator wrapper that records the bytes that the simulator sent."""

    def __init__(self, simulator):
        self._simulator = simulator
        self.sent = b""

    def advance(self, dt_s):
        data = self._simulator.advance(dt_s)
        self.sent += data
        return data

    def receive(self, data):
        answer = self._simulator.receive(data)
        self.sent += answer
        return answer

    def __getattr__(self, name):
        return getattr(self._simulator, name)


def listened(bench: Bench):
    """Wrap drivers and simulators of `bench`; return the lines that each driver accepted, by link."""
    accepted = {}
    for link, driver in bench.pipeline.drivers.items():
        bench.simulators[link] = Listening(bench.simulators[link])
        accepted[link] = []

        def decode(line, asked=None, driver=driver, link=link):
            meaning = type(driver).decode(driver, line)
            if not isinstance(meaning, Reject):
                accepted[link].append(line)
            return meaning

        driver.decode = decode
    return accepted


@pytest.mark.parametrize("mode", ["poll", "stream"])
@pytest.mark.parametrize("name", LINES)
def test_a_run_over_a_hostile_line(tmp_path, name, mode):
    make, harmless = LINES[name]
    incoming = {"bench-1": make(), "thermo-1": make()}
    bench = bench_of(tmp_path, water(), full_scale=10.0, thermometer=True, mode=mode, incoming=incoming, seconds=20)
    accepted = listened(bench)
    bench.begin()
    bench.run(600)
    assert bench.pipeline.state.value == "ended"
    for link, lines in accepted.items():
        sent = set(bench.simulators[link].sent.split(b"\r\n"))
        assert set(lines) <= sent, link
        assert len(lines) > 10, link
    report = bench.pipeline.facts().counters["bench-1"]
    struck = getattr(incoming["bench-1"], "struck", 0)
    if not harmless and not (mode == "stream" and name.startswith("joined")):
        assert sum(report["rejected"].values()) + report["timeouts"] + report["too_long"] > 0
    if harmless:
        assert bench.facts.outcome == "complete", bench.facts.reason
        assert bench.kept[0].faults == ()
    if name in ("flipped bits", "doubled ends"):
        assert struck > 5
    if bench.facts.outcome == "complete":
        assert bench.kept[0].summaries["viscosity"].mean == pytest.approx(0.89, rel=0.05)
    again = replay(bench.journal(), lambda kind, options, _state: DRIVERS[kind](options))
    assert again.same, str(again.difference)


@pytest.mark.parametrize(
    "make", [lambda: OneByteAtATime(0), lambda: FlippedBits(7, 0.05), lambda: Cut(8, loss=0.05), lambda: DoubledEnds(9)]
)
def test_a_run_whose_requests_are_damaged(tmp_path, make):
    bench = bench_of(tmp_path, water(), full_scale=10.0, outgoing={"bench-1": make()}, seconds=20)
    bench.begin()
    bench.run(600)
    assert bench.facts.outcome == "complete", bench.facts.reason
    assert bench.motor == "still"
    again = replay(bench.journal(), lambda kind, options, _state: DRIVERS[kind](options))
    assert again.same, str(again.difference)


def test_a_companion_on_a_hostile_line_does_not_disturb_the_lead(tmp_path):
    found = []
    for line in (Clean(), FlippedBits(1, 1.0)):
        bench = bench_of(tmp_path, water(), full_scale=10.0, incoming={"thermo-1": line})
        bench.begin()
        bench.run(600)
        found.append([(k.t, k.summaries["viscosity"].mean) for k in bench.kept])
    assert found[0] == found[1]


def test_garbage_alone_is_silence(tmp_path):
    bench = bench_of(tmp_path, water(), full_scale=10.0, incoming={"bench-1": FlippedBits(1, 1.0)})
    bench.begin()
    bench.run(600)
    assert bench.facts.outcome in ("failed", "interrupted")
    assert bench.pipeline.facts().counters["bench-1"]["readings"] == 0


def test_both_drivers_say_that_they_have_a_checksum():
    assert RotationalDriver.has_checksum
    assert ThermometerDriver.has_checksum
