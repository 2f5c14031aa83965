"""Several instruments on one line: a real pseudo-terminal with instruments that have addresses, and real sessions."""

import asyncio
import contextlib
import re
import shutil

import pytest

from daq.adapters.clock import SystemClock
from daq.adapters.paths import examples_dir
from daq.adapters.ports.shared_line import LATE_S, SharedLine
from daq.adapters.ports.transport import MemoryConnection
from daq.app.run.session import Session
from daq.app.setup.lines import RealPorts, sharing_errors, stop_bytes
from daq.core.driver import Port
from daq.core.errors import LinkError
from daq.methods.files.instrument import Instrument
from tests.ports.parts import Bus, Recorder, Tiny, framed, until


class Echoing(Tiny):
    """The same on two wires, where every device receives its own bytes."""

    echoes = True


@pytest.fixture
def make_bus():
    made = []

    def make(*addresses, **options):
        made.append(Bus(*addresses, **options))
        return made[-1]

    yield make
    for bus in made:
        bus.close()


@contextlib.asynccontextmanager
async def sessions(bus, *addresses, kind=Tiny, path="", **attributes):
    """A session for each address on the bus's port, as the supervisor makes them."""
    ports = RealPorts()
    made = []
    for address in addresses:
        driver = kind({"address": address})
        for name, value in attributes.items():
            setattr(driver, name, value)
        instrument = Instrument(name=f"unit-{address}", driver="tiny", port=path or bus.path)
        made.append(
            Session(
                instrument.name, driver, ports(instrument, driver), SystemClock(), expected_serial=f"T-{address:04d}"
            )
        )
    tasks = [asyncio.create_task(s.keep()) for s in made]
    try:
        yield made
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def value(session):
    return session.standing.values.get("temperature")


@pytest.mark.slow
@pytest.mark.parametrize("kind", [Tiny, Echoing])
@pytest.mark.asyncio
async def test_three_instruments_on_one_port_are_each_identified_and_read(make_bus, kind):
    bus = make_bus(1, 2, 3, echo=kind is Echoing)
    async with sessions(bus, 1, 2, 3, kind=kind) as found:
        await until(lambda: [value(s) for s in found] == [21.0, 22.0, 23.0])
        await until(lambda: all(s.link.exchange.counters.readings >= 3 for s in found))
        assert [s.standing.identity.serial for s in found] == ["T-0001", "T-0002", "T-0003"]
        assert bus.together == 0, "a request was sent during another answer"
        for session in found:
            report = session.link.exchange.report()
            assert (report["rejected"], report["late"], report["wrong_echo"]) == ({}, 0, 0)


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_silent_instrument_does_not_starve_the_others_and_comes_back(make_bus):
    bus = make_bus(1, 2, 3)
    bus.members["02"].silent = True
    async with sessions(bus, 1, 2, 3) as (one, two, three):
        await until(lambda: one.link.exchange.counters.readings >= 3 and three.link.exchange.counters.readings >= 3)
        assert two.standing.state in ("connecting", "identifying")
        bus.members["02"].silent = False
        await until(lambda: value(two) == 22.0, 60)
        # One instrument falls silent while all are read.
        bus.members["01"].silent = True
        await until(lambda: one.standing.state != "ready")
        before = three.link.exchange.counters.readings
        await until(lambda: three.link.exchange.counters.readings >= before + 2)
        assert three.standing.state == "ready"


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_late_answer_is_no_reading_of_another(make_bus):
    bus = make_bus(1, 2)
    async with sessions(bus, 1, 2) as (one, two):
        await until(lambda: value(one) == 21.0 and value(two) == 22.0)
        bus.members["01"].late_s = 0.25  # its time is 0.2 s
        seen = set()
        asked = len(bus.members["02"].asked)
        while len(bus.members["02"].asked) < asked + 4:
            seen.add(value(two))
            await asyncio.sleep(0.01)
        assert seen <= {22.0, None}
        assert two.standing.state == "ready"


@pytest.mark.asyncio
async def test_the_cable_of_all_is_pulled_and_they_come_back_under_another_name(make_bus, tmp_path):
    bus = make_bus(1, 2)
    link = tmp_path / "line"
    link.symlink_to(bus.path)
    async with sessions(bus, 1, 2, path=str(link)) as found:
        await until(lambda: all(value(s) is not None for s in found))
        bus.unplug()
        await until(lambda: all(s.standing.state == "connecting" for s in found))
        bus.plug()
        link.unlink()
        link.symlink_to(bus.path)
        await until(lambda: all(value(s) is not None for s in found))
        assert all(s.standing.state == "ready" for s in found)


@pytest.mark.asyncio
async def test_another_instrument_at_the_address_is_not_believed(make_bus):
    bus = make_bus(1, 2)
    bus.members["02"].serial = "T-9999"
    async with sessions(bus, 1, 2) as (one, two):
        await until(lambda: two.standing.state == "wrong_instrument")
        await until(lambda: value(one) == 21.0)
        assert "T-9999" in two.standing.detail


# ---- the line itself, with a port in memory that the test controls


class Wire:
    """A port that records the sent bytes; the test answers."""

    def __init__(self) -> None:
        self.sent = []
        self.opened = 0
        self.closed = False

    async def open(self, on_data, on_lost):
        self.opened += 1
        self.on_data, self.on_lost = on_data, on_lost
        connection = MemoryConnection(self._write, on_data, on_lost)
        close = connection.close

        def closing():
            self.closed = True
            close()

        connection.close = closing
        return connection

    def _write(self, data):
        self.sent.append(data)
        return b""


@pytest.fixture
def wire():
    return Wire()


def line_on(wire):
    return SharedLine("the line", wire.open, Port(baud=115_200))


@pytest.mark.asyncio
async def test_one_at_a_time_in_the_order_they_asked_and_a_stop_first(wire):
    line = line_on(wire)
    recorders = [Recorder() for _ in range(3)]
    a, b, c = [await line.join(h.on_data, h.on_lost, b"stop") for h in recorders]
    sent = []
    for member, data in ((a, b"a1"), (b, b"b1"), (c, b"stop")):
        member.write(data, lambda data=data: sent.append(data))
    assert (wire.sent, sent) == ([b"a1"], [b"a1"])
    wire.on_data(b"for a")
    a.free()
    await until(lambda: wire.sent[1:] == [b"stop"])
    wire.on_data(b"for c")
    c.free()
    await until(lambda: wire.sent[2:] == [b"b1"])
    assert sent == [b"a1", b"stop", b"b1"]
    wire.on_data(b"for b")
    assert [h.data for h in recorders] == [b"for a", b"for b", b"for c"]


@pytest.mark.asyncio
async def test_after_a_request_without_answer_the_line_is_quiet_and_a_late_answer_reaches_no_member(wire):
    line = line_on(wire)
    recorders = [Recorder(), Recorder()]
    a, b = [await line.join(h.on_data, h.on_lost) for h in recorders]
    a.write(b"a1")
    b.write(b"b1")
    loop = asyncio.get_running_loop()
    began = loop.time()
    a.free()
    wire.on_data(b"late")
    await until(lambda: wire.sent == [b"a1", b"b1"])
    assert loop.time() - began >= LATE_S * 0.9
    assert [h.data for h in recorders] == [b"", b""]
    assert line.stray_bytes == 4


@pytest.mark.asyncio
async def test_a_replaced_request_is_not_sent(wire):
    line = line_on(wire)
    a, b = [await line.join(h.on_data, h.on_lost) for h in (Recorder(), Recorder())]
    sent = []
    a.write(b"a1")
    b.write(b"b1", lambda: sent.append(1))
    b.write(b"b2", lambda: sent.append(2))
    wire.on_data(b"x")
    a.write(b"a2")  # so the first exchange is over
    await until(lambda: wire.sent[1:2] == [b"b2"])
    wire.on_data(b"x")
    b.free()
    await until(lambda: wire.sent[2:] == [b"a2"])
    assert sent == [2]


@pytest.mark.asyncio
async def test_a_leaving_member_frees_the_line_and_the_last_one_closes_the_port(wire):
    line = line_on(wire)
    a, b = [await line.join(h.on_data, h.on_lost) for h in (Recorder(), Recorder())]
    a.write(b"a1")
    b.write(b"b1")
    a.close()
    await until(lambda: wire.sent == [b"a1", b"b1"])
    with pytest.raises(LinkError, match="closed"):
        a.write(b"a2")
    assert not wire.closed
    b.close()
    assert wire.closed
    await line.join(print, print)
    assert wire.opened == 2


@pytest.mark.asyncio
async def test_a_member_that_waits_too_long_loses_its_link_and_the_others_do_not(wire, monkeypatch):
    line = line_on(wire)
    recorders = [Recorder(), Recorder()]
    a, b = [await line.join(h.on_data, h.on_lost) for h in recorders]
    a.write(b"a1")
    b.write(b"b1")
    monkeypatch.setattr("daq.adapters.ports.shared_line.LONGEST_WAIT_S", -1.0)
    a.free()
    await until(lambda: recorders[1].lost)
    assert "was not free" in recorders[1].lost[0]
    monkeypatch.undo()
    a.write(b"a2")
    await until(lambda: wire.sent == [b"a1", b"a2"])


@pytest.mark.asyncio
async def test_every_member_is_notified_of_a_lost_port(wire):
    line = line_on(wire)
    recorders = [Recorder(), Recorder()]
    for h in recorders:
        await line.join(h.on_data, h.on_lost)
    wire.on_lost("unplugged")
    assert [h.lost for h in recorders] == [["unplugged"]] * 2


# ---- findings of `daq check`


def instrument(number, **more):
    return Instrument(name=f"unit-{number}", driver="tiny", port="/dev/daq-line", **more)


def test_instruments_on_a_shared_line_need_an_address_and_the_same_settings():
    assert stop_bytes(Tiny()) == framed(">07.")
    tiny, other = Tiny({"address": 1}), Tiny({"address": 2})
    assert sharing_errors({"a": (instrument(1), tiny), "b": (instrument(2), other)}) == []

    class Alone(Tiny):
        shares_line = False

    class Talker(Tiny):
        streams = True

    (error,) = sharing_errors({"a": (instrument(1), tiny), "b": (instrument(2), Alone())})
    assert error.key == "port"
    assert "is also the port of unit-1" in error.reason
    assert "unit-2 has no address on it" in error.reason
    (error,) = sharing_errors({"a": (instrument(1), Talker()), "b": (instrument(2), tiny)})
    assert "unit-1 sends without being asked" in error.reason
    (error,) = sharing_errors({"a": (instrument(1), tiny), "b": (instrument(2, serial_line={"baud": 300}), other)})
    assert "its serial settings differ (baud 9600 and 300)" in error.reason


@pytest.mark.asyncio
async def test_an_instrument_without_address_does_not_get_the_port_of_another(make_bus):
    class Alone(Tiny):
        shares_line = False

    path = make_bus(1).path
    ports, one, two = RealPorts(), *(Instrument(name=n, driver="tiny", port=path) for n in ("unit-1", "unit-2"))
    first = await ports(one, Tiny())(print, print)
    with pytest.raises(LinkError, match="is also the port of unit-1"):
        await ports(two, Alone())(print, print)
    second = await ports(two, Tiny({"address": 2}))(print, print)
    first.close()
    second.close()
    again = await ports(one, Tiny())(print, print)
    again.close()


def test_daq_check_names_both_files_and_what_to_do(tmp_path, capsys):
    from daq.app.cli import main

    folder = tmp_path / "config"
    shutil.copytree(examples_dir(), folder)
    for name in ("bench-1", "bench-2"):
        file = folder / "instruments" / f"{name}.toml"
        file.write_text(re.sub(r'^port = ".*"', 'port = "/dev/daq-line"', file.read_text("utf-8"), flags=re.MULTILINE))
    assert main(["check", str(folder)]) == 2
    output = capsys.readouterr().out
    wrong = [line for line in output.splitlines() if line.startswith("wrong")]
    assert len(wrong) == 1, output
    assert f"{folder}/instruments/bench-2.toml: port: '/dev/daq-line' is also the port of bench-1" in wrong[0]
    assert f"({folder}/instruments/bench-1.toml): bench-1" in wrong[0]
    assert "give each its own port" in wrong[0]
