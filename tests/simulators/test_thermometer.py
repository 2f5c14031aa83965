"""The streaming thermometer."""

import math
import re

import pytest

from simulators.thermometer import Thermometer


def exclusive_or(data: bytes) -> int:
    total = 0
    for byte in data:
        total ^= byte
    return total


def readings(data: bytes) -> list[tuple[str, str]]:
    found = []
    for line in data.split(b"\r\n")[:-1]:
        raw, _, digits = line.rpartition(b"*")
        assert digits.decode() == f"{exclusive_or(raw):02X}"
        word, number, status = raw.decode("ascii").split(" ")
        assert word == "T"
        found.append((number, status))
    return found


def test_one_line_every_second():
    thermometer = Thermometer(seed=3, temperature=24.5)
    assert thermometer.advance(0.999) == b""
    assert thermometer.due_in_s() == pytest.approx(0.001)
    assert len(readings(thermometer.advance(0.001))) == 1
    found = readings(thermometer.advance(9.5))
    assert len(found) == 9
    for number, status in found:
        assert re.fullmatch(r"[+-]\d+\.\d{3}", number)
        assert status == "ok"
        assert float(number) == pytest.approx(24.5 + thermometer.probe_error_kelvin, abs=0.012)


def test_a_temperature_below_zero_is_signed():
    ((number, _),) = readings(Thermometer(temperature=-5.0).advance(1.0))
    assert number.startswith(("-5.", "-4.9"))


def test_the_probe_follows_with_a_first_order_lag():
    thermometer = Thermometer(temperature=20.0, lag_s=8.0, noise_kelvin=0.0, probe_limit_kelvin=0.0)
    thermometer.set_temperature(30.0)
    # Textbook step response of a first-order lag.
    expected = [30.0 - 10.0 * math.exp(-second / 8.0) for second in range(1, 31)]
    shown = [float(number) for number, _ in readings(thermometer.advance(30.0))]
    assert shown == pytest.approx(expected, abs=0.0006)


def test_a_broken_probe_sends_no_number():
    thermometer = Thermometer()
    thermometer.probe_open = True
    # The exclusive-or worked out by hand over the ten bytes of "T --- open".
    assert readings(thermometer.advance(1.0)) == [("---", "open")]


def test_it_says_who_it_is_when_asked_and_ignores_the_rest():
    thermometer = Thermometer(serial="T-7")
    assert thermometer.receive(b"i") == b""
    answer = thermometer.receive(b"d\r\n")
    raw, _, digits = answer.removesuffix(b"\r\n").rpartition(b"*")
    assert raw == b"I thermometer serial=T-7 firmware=1.0"
    assert digits.decode() == f"{exclusive_or(raw):02X}"
    assert thermometer.receive(b"ID\r\nid \r\n\r\nread\r\n") == b""


def test_the_same_seed_gives_the_same_bytes_however_time_is_cut():
    def stream(seed, pieces):
        thermometer = Thermometer(seed)
        return b"".join(thermometer.advance(20.0 / pieces) for _ in range(pieces))

    assert stream(3, 1) == stream(3, 16) == stream(3, 1000)
    assert stream(3, 1) != stream(4, 1)


def test_probe_errors_stay_within_their_limit_and_differ():
    errors = {Thermometer(seed).probe_error_kelvin for seed in range(100)}
    assert len(errors) == 100
    assert max(map(abs, errors)) <= 0.05
    assert max(map(abs, errors)) > 0.04
