"""Drivers with one planted fault each, and the check of the kit that must name it: what they say, and how they decode."""

import itertools
import random
import re
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from daq.core.driver import Channel, Identity, Port, Reject, Reply, Request, Values
from daq.core.framing import Framing
from tests.support.planted.good_drivers import Level, Probe, Scale, Stirrer, sealed

PLANTED: list["Planted"] = []


@dataclass
class Planted:
    """A bad driver: which good one it was made from, and which check finds it."""

    driver: type
    check: str
    base: type
    options: dict[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return self.driver.__name__


def found_by(check: str, **options: Any) -> Callable[[type], type]:
    def keep(made: type) -> type:
        base = next(c for c in made.__mro__ if c in (Stirrer, Scale, Level, Probe))
        PLANTED.append(Planted(made, check, base, options))
        return made

    return keep


# ---- what it says of itself


@found_by("contract")
class WrittenForAnotherVersion(Stirrer):
    api_version = 1


@found_by("channels")
class UnitThatIsNoUcumCode(Scale):
    channels = (Channel("mass", "grams", -10.0, 4100.0),)


@found_by("channels")
class RangeTheWrongWayRound(Scale):
    channels = (Channel("mass", "g", 4100.0, -10.0),)


@found_by("channels")
class TwoChannelsOfOneName(Stirrer):
    channels = (Channel("speed", "/min", -600.0, 600.0), Channel("speed", "%", 0.0, 100.0))


@found_by("framing")
class LineWithoutBound(Scale):
    framing = Framing(terminator=b"\r\n", longest=10_000_000)


@found_by("port")
class ParityInWords(Scale):
    port = Port(parity="even")


@found_by("port")
class BaudAsTheDisplayShortensIt(Stirrer):
    port = Port(baud=24, data_bits=7, parity="E")


@found_by("requests")
class RequestWithTheWrongEnd(Scale):
    def poll(self):
        return Request(b"GW\n", "reading")


@found_by("requests")
class PollThatExpectsSomethingElse(Stirrer):
    def poll(self):
        return replace(super().poll(), expects="value")


@found_by("requests")
class AsksDifferentlyEachTime(Stirrer):
    def poll(self):
        self.count = getattr(self, "count", 0) + 1
        return Request(self.line(b"V?%d" % self.count), "reading")


@found_by("times")
class TimeOutShorterThanTheAnswer(Scale):
    def poll(self):
        return Request(b"GW\r\n", "reading", timeout_ns=10_000_000)


@found_by("times")
class WakesWithText(Scale):
    wake = "\r"
    wake_after_ns = 10_000_000_000


@found_by("times")
class TimeOutOfNothing(Stirrer):
    def identify(self):
        return replace(super().identify(), timeout_ns=0)


@found_by("times")
class SilentBetweenTwoReadings(Scale):
    stale_after_ns = 500_000_000


@found_by("motion")
class TurnsButCannotHalt(Stirrer):
    capabilities = frozenset({"speed"})


@found_by("motion")
class MovesButSaysItHasNoMotor(Stirrer):
    on_link_loss = "no_motor"


@found_by("motion")
class LinkLossInItsOwnWords(Stirrer):
    on_link_loss = "coasts"


@found_by("motion")
class SendsNaN(Stirrer):
    def action(self, action, value=None):
        if action == "speed":
            return Request(self.line(f"S{value}".encode()), "speed")
        return super().action(action, value)


@found_by("motion")
class HaltsOnlyOnce(Stirrer):
    def action(self, action, value=None):
        return replace(super().action(action, value), tries=1)


@found_by("motion")
class UnknownActionRaisesKeyError(Stirrer):
    def action(self, action, value=None):
        return {"halt": Request(self.line(b"H"), "halt"), "speed": Request(self.line(b"S12.0"), "speed")}[action]


@found_by("options")
class TakesUnknownOptions(Stirrer):
    def __init__(self, options):
        super().__init__({k: v for k, v in options.items() if k == "interval_ms"})
        self.options = dict(options)


@found_by("options")
class OptionRaisesTypeError(Stirrer):
    def __init__(self, options):
        super().__init__({k: v for k, v in options.items() if k != "interval_ms"})
        self.options = dict(options)
        self.interval_ns = int(options.get("interval_ms", 500)) * 1_000_000


@found_by("digest")
class DigestOfTheMoment(Stirrer):
    count = itertools.count()

    def digest(self):
        return f"{next(self.count):064x}"


@found_by("imports")
class LooksAtTheClock(Scale):
    def decode(self, line, asked=None):
        return super().decode(line, asked) if time.time() > 0 else Reject("no time")


@found_by("quiet")
class Prints(Scale):
    def decode(self, line, asked=None):
        print("decoding", line)
        return super().decode(line, asked)


# ---- decode


@found_by("any bytes")
class RaisesOnBytesBeyondAscii(Scale):
    def decode(self, line, asked=None):
        return super().decode(line.decode("ascii").encode("ascii"), asked)


@found_by("any bytes")
class RaisesOnAnEmptyLine(Scale):
    def decode(self, line, asked=None):
        return Reject("unknown line") if line[0] == 0 else super().decode(line, asked)


@found_by("any bytes")
class GivesNone(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return None if isinstance(found, Reject) else found


@found_by("any bytes")
class GivesInfinity(Scale):
    def decode(self, line, asked=None):
        found = re.fullmatch(rb"\s*([+-]?[\w.]+)\s*", line)
        if found:
            try:
                return (float(found[1]),)
            except ValueError:
                return Reject("no number")
        return super().decode(line, asked)


@found_by("understands")
class NamesAFaultOfItsOwn(Scale):
    def decode(self, line, asked=None):
        if line.endswith(b"MV"):
            return Values((None,), (("mass", "moving"),))
        return super().decode(line, asked)


@found_by("understands")
class GivesIntegers(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (int(found[0]),) if isinstance(found, tuple) else found


@found_by("understands")
class DoesNotKnowTheMovingScale(Scale):
    def decode(self, line, asked=None):
        return Reject("unknown line") if line.endswith(b"MV") else super().decode(line, asked)


@found_by("understands")
class WrongTerminator(Scale):
    framing = Framing(terminator=b"\n\r", longest=40)


@found_by("work per line")
class PatternWithoutEnd(Scale):
    def decode(self, line, asked=None):
        if re.fullmatch(rb"([\x20-\x7e]+)+\x00", line):
            return Reject("never")
        return super().decode(line, asked)


@found_by("values shown")
class LosesTheSign(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (abs(found[0]),) if isinstance(found, tuple) else found


@found_by("values shown")
class WrongScale(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0] / 10,) if isinstance(found, tuple) else found


@found_by("units")
class TakesGramsForKilograms(Scale):
    channels = (Channel("mass", "kg", -10.0, 4100.0),)


@found_by("over range")
class PushedIntoTheRange(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (min(4100.0, found[0]),) if isinstance(found, tuple) else found


@found_by("over range")
class RangeInAnotherUnit(Scale):
    channels = (Channel("mass", "g", -0.01, 4.1),)


@found_by("same again")
class RollsDice(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0] + random.random(),) if isinstance(found, tuple) else found


@found_by("state")
class SharedBetweenDrivers(Scale):
    seen: dict[str, int] = {}  # noqa: RUF012 - the planted fault

    def decode(self, line, asked=None):
        self.seen["lines"] = self.seen.get("lines", 0) + 1
        return super().decode(line, asked)

    def state(self):
        return dict(self.seen)


@found_by("state")
class ForgetsWhatItShouldRemember(Scale):
    """Takes the tare from the first reading, and does not tell."""

    tare = None

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, tuple):
            self.tare = found[0] if self.tare is None else self.tare
            return Values((found[0] - self.tare,), (("mass", "keys_used"),))
        return found


@found_by("growth")
class KeepsEveryLine(Scale):
    def __init__(self, options):
        super().__init__(options)
        self.kept = []

    def decode(self, line, asked=None):
        self.kept.append(line + b" ")
        return super().decode(line, asked)


@found_by("growth")
class ReasonWithTheLineInIt(Scale):
    """Rejections are counted by reason, so that each damaged line is kept for ever."""

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return Reject(f"unknown line {line!r}") if isinstance(found, Reject) else found


@found_by("identity")
class IdentityOfItsOwn(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, Reply):
            return Reply("identity", identity=Identity("scale", "204417"))
        return found


@found_by("identity")
class IdentityWithoutSerial(Stirrer):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, Reply) and found.kind == "identity":
            return Reply("identity", identity=Identity("stirrer", ""))
        return found


@found_by("confirmed")
class DoesNotUnderstandTheSpeedsConfirmation(Stirrer):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return Reject("unknown line") if isinstance(found, Reply) and found.kind == "speed" else found


@found_by("confirmed")
class ConfirmsAnotherNumber(Stirrer):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, Reply) and found.kind == "speed":
            return Reply("speed", found.value / 60)
        return found


@found_by("distinct answers")
class TakesAnythingForTheIdentity(Scale):
    def decode(self, line, asked=None):
        if asked is not None and asked.expects == "identity" and line:
            return Reply("identity", identity=Identity("scale", line.decode("latin-1").removeprefix("NR ")))
        return super().decode(line, asked)


@found_by("echo")
class TakesItsOwnRequestForTheAnswer(Stirrer):
    def decode(self, line, asked=None):
        if line == sealed(b"H"):
            return Reply("halt")
        return super().decode(line, asked)
