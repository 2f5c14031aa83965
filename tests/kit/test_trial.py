"""A trial of a driver takes the readings that it is asked for, however the bytes arrive."""

import asyncio
import io
import random
from types import SimpleNamespace

import pytest

from daq.adapters.ports.transport import PortAddress
from daq.app.run.latest_lines import LatestLines
from daq.app.screens.styled_lines import line_width, text_of
from daq.app.setup.drivers import Drivers
from daq.app.workshop import trying
from daq.app.workshop.trying import Tried
from daq.app.workshop.trying_screen import TrialScreen
from daq.app.workshop.watching import LEAST_LINES, watch_lines
from daq.core.driver import Channel
from daq.core.faults import FAULTS
from daq.core.framing import Framing
from simulators.level.level import LevelSensor


class Port:
    """A port that passes `chunks` on, all within one turn of the event loop."""

    def __init__(self, chunks):
        self._chunks = chunks

    async def open(self, address, data, lost):
        asyncio.get_running_loop().call_soon(self._pass_on, data)
        return self

    def _pass_on(self, data):
        for chunk in self._chunks:
            data(chunk)

    def write(self, data, sent):
        sent()

    def close(self):
        pass


@pytest.mark.parametrize("wanted", [1, 2, 3])
@pytest.mark.parametrize("together", [1, 2, 5])
def test_readings_beyond_the_wanted_ones_are_not_counted(monkeypatch, wanted, together):
    sensor = LevelSensor()
    lines = [sensor.advance(1.0) for _ in range(20)]
    chunks = [b"".join(lines[i : i + together]) for i in range(0, len(lines), together)]
    monkeypatch.setattr(trying, "open_port", Port(chunks).open)

    async def tried():
        trial = trying.Trial(Drivers.find().make("level", {}), PortAddress("port", None), lambda tried: None)
        assert await trial.run(seconds=60.0, readings=wanted) == ""
        return trial.tried

    assert asyncio.run(tried()).readings == wanted


# ---- values beside the raw lines

S = 1_000_000_000


def watched(rng):
    """A driver with channels of any name, and the state of its trial with any raw lines."""
    names = [f"channel_{i}" + "_of_a_long_name" * rng.randint(0, 4) for i in range(rng.randint(1, 4))]
    driver = SimpleNamespace(
        kind="scale", channels=tuple(Channel(n, "mPa.s", 0.0, 1.0) for n in names), identify=lambda: None,
        framing=Framing(terminator=b"\r\n", longest=200),
    )  # fmt: skip
    latest = LatestLines()
    for i in range(rng.randint(0, 40)):
        latest.add(i * S, rng.choice("<>"), rng.randbytes(rng.randint(1, 60)) + b"\r\n")
    faults = tuple((rng.choice(("", *names)), rng.choice(sorted(FAULTS))) for _ in range(rng.randint(0, 3)))
    tried = Tried(values=tuple(rng.choice((None, -812.432)) for _ in names), faults=faults, readings=7, latest=latest)
    return driver, tried


@pytest.mark.parametrize("columns", [40, 80, 81, 120, 200])
def test_values_and_raw_lines_are_side_by_side_from_80_columns_up(columns):
    rng = random.Random(columns)
    for _ in range(30):
        driver, tried = watched(rng)
        raw = tried.latest.lines(driver.framing, 100)
        lines = watch_lines(driver, tried, raw, 40 * S, columns)
        assert max(line_width(line) for line in lines) <= max(columns, 80)
        left = "".join("".join(text_of(line).partition("│")[0].split()) for line in lines)
        for channel in driver.channels:
            assert channel.name in left
        for _, fault in tried.faults:
            assert "".join(FAULTS[fault].sentence.split()) in left
        right = [text_of(line).partition("│")[2].strip() for line in lines]
        assert len(right) >= LEAST_LINES
        shown = [text for text in right if text]
        assert len(shown) == min(len(raw), len(lines))
        assert all(" s < " in text or " s > " in text for text in shown)
        assert all(text.isprintable() for text in shown)


@pytest.mark.parametrize("watch", [False, True])
def test_a_pipe_gets_one_line_a_reading_with_the_raw_line_behind_the_values(watch):
    driver = Drivers.find().make("level", {})
    out = io.StringIO()
    with TrialScreen(driver, out, watch=watch) as screen:
        tried = Tried()
        tried.latest.add(1, ">", b"$KSQID*00\r\n")
        for number in (1, 2):
            tried.latest.add(number, "<", b"$KSTNK,1.234,M,18.5,C,A*HH\r\n")
            tried.values, tried.readings = (1.234, 18.5), number
            screen.show(tried)
    behind = "  < $KSTNK,1.234,M,18.5,C,A*HH\\r\\n" if watch else ""
    assert out.getvalue().splitlines() == [f"level 1.23400 m  temperature 18.5000 °C{behind}"] * 2


def test_the_trial_keeps_the_raw_lines(monkeypatch):
    sensor = LevelSensor()
    monkeypatch.setattr(trying, "open_port", Port([sensor.advance(1.0) for _ in range(5)]).open)

    async def tried():
        trial = trying.Trial(Drivers.find().make("level", {}), PortAddress("port", None), lambda tried: None)
        await trial.run(seconds=60.0, readings=2)
        return trial.tried

    driver = Drivers.find().make("level", {})
    lines = asyncio.run(tried()).latest.lines(driver.framing, 10)
    assert [one.way for one in lines].count("<") >= 2
    assert any(one.data.startswith(b"$KSTNK") and one.data.endswith(b"\r\n") for one in lines)
