"""Misbehaviour and commands in memory, under a clock of the test's own."""

import json

import pytest

from simulators.commands import Commander
from simulators.misbehaviour import Misbehaving
from simulators.rotational import FLUIDS, RotationalInstrument
from simulators.thermometer import Thermometer
from tests.simulators.lines import request, texts
from tests.support import sentences

WHO = b"is rotational serial=R-1042 firmware=1.2 fs=1000.0"


@pytest.fixture
def device():
    return Misbehaving(RotationalInstrument(fluid=FLUIDS["clear-glaze"]), seed=3)


def test_a_well_behaved_device_answers_as_the_instrument_does(device):
    assert device.receive(request("who")) == RotationalInstrument().receive(request("who"))
    assert device.advance(1.0) == b""
    assert device.due_in_s() is None


def test_a_silent_instrument_still_obeys(device):
    device.silence(5.0)
    assert device.receive(request("speed 5") + request("turn")) == b""
    assert device.advance(4.999) == b""
    assert device.receive(request("who")) == b""
    device.advance(0.001)
    assert texts(device.receive(request("who"))) == [WHO.decode()]
    assert device.instrument.state()["turning"] is True


def test_slow_answers_come_late_and_in_order(device):
    device.slow(0.5)
    assert device.receive(request("who")) == b""
    device.advance(0.2)
    device.slow(0.0)
    # The later answer is ready first, but a line keeps its order.
    assert device.receive(request("halt")) == b""
    assert device.due_in_s() == pytest.approx(0.3)
    assert device.advance(0.299) == b""
    assert texts(device.advance(0.001)) == [WHO.decode(), "ok halt"]
    assert texts(device.receive(request("halt"))) == ["ok halt"]


def test_cut_lines_lose_their_second_half(device):
    whole = device.receive(request("who"))
    device.cut(2)
    for _ in range(2):
        assert device.receive(request("who")) == whole[: len(whole) // 2]
    assert device.receive(request("who")) == whole


def test_damaged_lines_differ_only_in_their_checksum(device):
    whole = device.receive(request("who"))
    device.checksum(2)
    for damaged in (device.receive(request("who")), device.receive(request("who"))):
        assert damaged.rpartition(b"#")[0] == whole.rpartition(b"#")[0]
        assert damaged.endswith(b"\r\n")
        with pytest.raises(AssertionError):
            texts(damaged)
    assert device.receive(request("who")) == whole


def test_garbage_comes_unasked_and_without_a_line_end(device):
    device.garbage(300)
    assert device.due_in_s() == 0.0
    noise = device.advance(0.001)
    assert len(noise) == 300
    assert not set(b"\r\n") & set(noise)
    assert any(byte > 127 for byte in noise)
    assert texts(device.receive(request("who"))) == [WHO.decode()]


def test_garbage_is_seeded():
    def noise(seed):
        device = Misbehaving(RotationalInstrument(), seed)
        device.garbage(50)
        return device.advance(0.1)

    assert noise(1) == noise(1) != noise(2)


def test_a_stream_misbehaves_alike_however_time_is_cut():
    def stream(pieces):
        device = Misbehaving(Thermometer(seed=2), seed=2)
        arrived = [device.advance(2.5)]
        device.silence(3.0)
        device.cut(1)
        device.checksum(2)
        device.slow(0.25)
        arrived += [device.advance(12.5 / pieces) for _ in range(pieces)]
        return b"".join(arrived)

    assert stream(1) == stream(5) == stream(1250)
    # 2 lines before; 3, 4 and 5 s fall into the silence, the last of 15 is still under way.
    assert stream(1).count(b"T ") == 2 + 9
    assert stream(1).count(b"\r\n") == 2 + 8


def test_commands_reach_the_instrument(device):
    commander = Commander(device)
    for command in (
        "fluid white-glaze 31.5",
        "probe open",
        "identity R-2000",
        "key",
        "block",
        "silence 1",
        "slow 0.1",
        "garbage 3",
        "cut 1",
        "checksum 1",
    ):
        assert commander.execute(command) == "done"
    state = json.loads(commander.execute("state"))
    assert state["fluid"] == "white-glaze"
    assert state["temperature_C"] == 31.5
    assert (state["probe_open"], state["serial"], state["running"], state["blocked"]) == (True, "R-2000", True, True)
    for command in ("probe ok", "block off", "temperature 40"):
        assert commander.execute(command) == "done"
    state = json.loads(commander.execute("state"))
    assert (state["probe_open"], state["blocked"], state["temperature_C"], state["bath_C"]) == (
        False,
        False,
        40.0,
        40.0,
    )


@pytest.mark.parametrize(
    ("command", "complaint"),
    [
        ("", "unknown command"),
        ("dance", "known: fluid"),
        ("fluid mud", "needs one of: air, water"),
        ("fluid water warm", "expected one number"),
        ("fluid water -273.15", sentences.TEMPERATURE_OF_THE_SIMULATOR),
        ("temperature 151", sentences.TEMPERATURE_OF_THE_SIMULATOR),
        ("silence", "expected one number"),
        ("silence -1", "0 or more"),
        ("slow inf", "finite"),
        ("cut 1.5", "whole number"),
        ("garbage 100001", "whole number"),
        ("identity two words", "one serial"),
        ("identity R#1", "one serial"),
        ("probe", "one of: open, ok"),
        ("key twice", "unexpected 'twice'"),
        ("block maybe", "one of: on, off"),
        ("unplug", "no link"),
    ],
)
def test_commands_that_cannot_be_done_say_why(device, command, complaint):
    before = device.instrument.state()
    answer = Commander(device).execute(command)
    assert answer.startswith("error ")
    assert complaint in answer
    assert "\n" not in answer
    assert device.instrument.state() == before


def test_a_thermometer_takes_no_fluid():
    answer = Commander(Misbehaving(Thermometer())).execute("fluid water")
    assert answer.startswith("error unknown command 'fluid water' of a thermometer; known: temperature, probe, ")
