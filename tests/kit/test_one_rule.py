"""The kit finds drivers that read some lines by another rule: another factor, a text of a state that is not read."""

import random
import re

import pytest

from daq.core.driver import Channel, Driver, Identity, Reject, Reply, Request, Values
from daq.core.errors import SettingError
from daq.core.framing import Framing
from daq.descriptions.capture import Capture, Piece
from daq.testing import check_driver
from daq.testing.case import Case
from daq.testing.checks.checks_alike import one_factor, read_alike
from daq.testing.checks.checks_unread import unread
from daq.testing.report import NotApplicableError
from daq.testing.talk import transcribe

LINE = re.compile(rb"V=(\d{1,4}\.\d|-----);T=([+-]\d{3}\.\d\d);F=([0-9A-F]{2})")


class Bath(Driver):
    """Reads viscosity and temperature of a bath; a status in hexadecimal: 10 over range, 20 probe, 01 unsteady."""

    kind = "bath"
    channels = (Channel("own_viscosity", "mPa.s", 0, 9999.9), Channel("temperature", "Cel", -50, 150))
    framing = Framing(terminator=b"\r\n", longest=40)
    interval_ns = 500_000_000
    stale_after_ns = 5_000_000_000

    def __init__(self, options):
        super().__init__(options)
        if options:
            raise SettingError("unknown option", key=f"options.{next(iter(options))}")

    def identify(self):
        return Request(b"WHO\r\n", "identity")

    def poll(self):
        return Request(b"GET\r\n", "reading")

    def decode(self, line, asked=None):
        found = re.fullmatch(rb"BATH (\d{5}) R(\d\.\d)", line)
        if found:
            return Reply("identity", identity=Identity("bath", found[1].decode(), found[2].decode()))
        found = LINE.fullmatch(line)
        return self.reading(*found.groups()) if found else Reject("unknown line")

    def reading(self, viscosity, temperature, status):
        bits = int(status, 16)
        if bits & ~0x31:
            return Reject("unknown status")
        over = viscosity == b"-----" or bits & 0x10
        values = (None if over else float(viscosity), None if bits & 0x20 else float(temperature))
        faults = [("own_viscosity", "over_range")] * bool(over) + [("temperature", "probe")] * bool(bits & 0x20)
        faults += [("own_viscosity", "unsteady")] * (bits & 1)
        return Values(values, tuple(faults)) if faults else values


class FahrenheitAboveHundred(Bath):
    def reading(self, viscosity, temperature, status):
        found = super().reading(viscosity, temperature, status)
        hot = isinstance(found, tuple) and found[1] > 100
        return (found[0], (found[1] - 32) / 1.8) if hot else found


class GreaterIsViscosity(Bath):
    def reading(self, viscosity, temperature, status):
        found = super().reading(viscosity, temperature, status)
        return (max(found), min(found)) if isinstance(found, tuple) else found


class NoFaultBesideNone(Bath):
    def reading(self, viscosity, temperature, status):
        found = super().reading(viscosity, temperature, status)
        return Values(found.values, found.faults[:-1]) if isinstance(found, Values) else found


class FaultOfTheOtherChannel(Bath):
    def reading(self, viscosity, temperature, status):
        found = super().reading(viscosity, temperature, status)
        other = {"own_viscosity": "temperature", "temperature": "own_viscosity"}
        if isinstance(found, Values):
            return Values(found.values, tuple((other[channel], fault) for channel, fault in found.faults))
        return found


class KeepsTheValueOverRange(Bath):
    def reading(self, viscosity, temperature, status):
        found = super().reading(viscosity, temperature, status)
        if isinstance(found, Values) and viscosity != b"-----" and found.values[0] is None:
            return Values((float(viscosity), found.values[1]), found.faults)
        return found


class LeavesOutForeignBytes(Bath):
    def decode(self, line, asked=None):
        return super().decode(line.decode("ascii", "ignore").encode(), asked)


class ForgetsABit(Bath):
    def reading(self, viscosity, temperature, status):
        return super().reading(viscosity, temperature, b"%02X" % (int(status, 16) & ~0x10))


def capture(line=None):
    """Return a capture; its lines are those of the function `line` of their number."""
    r = random.Random(4)
    pieces = [Piece(0, ">", b"WHO\r\n"), Piece(2_000_000, "<", b"BATH 40213 R1.2\r\n")]
    for i in range(40):
        status = r.choice([0, 0, 0, 0, 1, 0x10, 0x20, 0x21, 0x11])
        viscosity = b"-----" if status & 0x10 and i % 2 else b"%.1f" % (r.random() * (3 if i % 9 == 0 else 9000))
        temperature = r.random() * 110 if i % 3 else -r.random() * 40
        answer = b"V=%s;T=%+07.2f;F=%02X" % (viscosity, temperature, status) if line is None else line(i)
        pieces += [Piece((i + 1) * 10**9, ">", b"GET\r\n"), Piece((i + 1) * 10**9 + 2_000_000, "<", answer + b"\r\n")]
    return Capture(pieces)


def test_the_good_driver_passes():
    report = check_driver(lambda: Bath({}), capture=capture())
    assert report.passed, report.text()
    assert "read alike" not in report.text()


@pytest.mark.parametrize(
    ("bad", "check"),
    [
        (FahrenheitAboveHundred, "one factor"), (GreaterIsViscosity, "one factor"),
        (NoFaultBesideNone, "understands"), (FaultOfTheOtherChannel, "understands"),
        (KeepsTheValueOverRange, "understands"), (LeavesOutForeignBytes, "from the line"),
    ],
)  # fmt: skip
def test_a_bad_driver_fails_by_name(bad, check):
    report = check_driver(lambda: bad({}), capture=capture())
    assert check in [f.name for f in report.failed], report.text()


def test_a_state_that_a_driver_reads_like_another_is_in_the_report():
    """No check can decide whether both mean no fault, so it is a note."""
    report = check_driver(lambda: ForgetsABit({}), capture=capture())
    assert report.finding("unread").outcome == "note"
    assert "read alike: '00', '10'" in report.finding("unread").message or "'10', '00'" in report.text()


def test_hexadecimal_numbers_are_no_numbers_of_several_factors():
    class Hexadecimal(Bath):
        channels = (Channel("mass", "g", 0, 65535),)

        def decode(self, line, asked=None):
            found = re.fullmatch(rb"M ([0-9A-F]{4})", line)
            return (float(int(found[1], 16)),) if found else Reject("unknown line")

        def identify(self):
            return None

    pieces = []
    for i, number in enumerate((1, 2, 3, 4, 5, 0x12, 0x345, 0xBEEF, 0x99, 7)):
        line = b"M %04X\r\n" % number
        pieces += [Piece(i * 10**9, ">", b"GET\r\n"), Piece(i * 10**9 + 2_000_000, "<", line)]
    report = check_driver(lambda: Hexadecimal({}), capture=Capture(pieces))
    assert report.passed, report.text()


@pytest.mark.parametrize("down", [False, True])
def test_another_rule_at_the_end_of_a_ramp_is_found(down):
    """Before, the first 24 temperatures only were exchanged, and the ramp has 40 of them."""

    def line(i):
        return b"V=%.1f;T=%+07.2f;F=00" % (100 + 3 * i, 20 + 2.5 * (39 - i if down else i))

    report = check_driver(lambda: FahrenheitAboveHundred({}), capture=capture(line))
    assert [f.name for f in report.failed] == ["one factor"], report.text()
    assert check_driver(lambda: Bath({}), capture=capture(line)).passed


class Codes(Bath):
    """Reads the number of a state and a viscosity: ``N07;V=5.0``; `known` are its texts."""

    known = tuple(f"{i:02d}" for i in range(40))

    def decode(self, line, asked=None):
        state, mark, value = line.decode("latin-1").rpartition(";V=")
        known = mark and state[:1] == "N" and state[1:] in self.known and re.fullmatch(r"\d\.\d", value)
        return (float(value), float(self.code(state[1:]))) if known else Reject("unknown line")

    def code(self, state):
        return self.known.index(state)


class ForgetsTheLastCode(Codes):
    def code(self, state):
        return super().code(state) % 39


class Underscored(Codes):
    known = ("1_2", "1__", "__1", "_1_")


class OfBytes(Bath):
    def decode(self, line, asked=None):
        return (float(line[1]), 20.0) if len(line) == 3 and line[0] == 0x81 else Reject("unknown line")


def case_of(kind, line):
    return Case(lambda: kind({}), kind({}), talk=transcribe(kind({}), capture(line), "capture"))


@pytest.mark.parametrize(("kind", "alike"), [(ForgetsTheLastCode, ["'N00', 'N39'"]), (Codes, [])])
def test_the_last_of_many_codes_is_compared_with_the_first(kind, alike):
    """Before, the first 24 texts only were."""
    assert list(read_alike(case_of(kind, lambda i: b"N%02d;V=5.0" % i))) == alike


def test_an_underscore_is_a_text_like_any_other():
    """Before, it was the mark of a part that varies, and the check failed with an error of its own."""
    case = case_of(Underscored, lambda i: b"N%s;V=5.%d" % (Underscored.known[i % 4].encode(), i % 3))
    assert list(read_alike(case)) == []
    assert one_factor(case).outcome == "passed"


def test_a_driver_of_bytes_has_a_finding_on_what_it_leaves_unread():
    case = case_of(OfBytes, lambda i: bytes((0x81, 0x90 + i, 0xF0)))
    assert unread(case).outcome in ("passed", "note")
    with pytest.raises(NotApplicableError):
        one_factor(case)
