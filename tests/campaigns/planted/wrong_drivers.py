"""Drivers whose planted fault is in their state, their requests, their answers or their surroundings."""

import datetime  # noqa: ICN001 - the name by which the kit knows it
import hashlib
import os
import threading
from dataclasses import replace

from daq.core.driver import Reject, Reply, Request, Several, Values
from daq.core.framing import Framing
from tests.campaigns.planted.wrong_values import ALIKE, LIST, RECOGNISES, UNSEEN
from tests.support.planted.good_drivers import Level, Probe, Scale, Stirrer, sealed

EXCHANGED = "Two channels of one dimension are exchanged, and no note of the display tells them apart."


def planted(cannot=""):
    def keep(made):
        LIST.append((made, cannot))
        return made

    return keep


# ---- state


@planted()
class MeanOfThree(Scale):
    def __init__(self, options):
        super().__init__(options)
        self.latest = []

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, tuple):
            self.latest = [*self.latest, found[0]][-3:]
            return (sum(self.latest) / len(self.latest),)
        return found


@planted()
class Smooths(Scale):
    last = None

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, tuple):
            self.last = found[0] if self.last is None else 0.9 * self.last + 0.1 * found[0]
            return (self.last,)
        return found

    def state(self):
        return {"last": self.last}

    def restore(self, state):
        self.last = state["last"]


@planted()
class WrongFromTheTenthLine(Scale):
    count = 0

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        self.count += isinstance(found, tuple)
        return (found[0] / 2,) if isinstance(found, tuple) and self.count > 10 else found


@planted(RECOGNISES)
class WrongAfterAMillionLines(Scale):
    count = 0

    def decode(self, line, asked=None):
        self.count += 1
        found = super().decode(line, asked)
        return (0.0,) if isinstance(found, tuple) and self.count > 1_000_000 else found


@planted()
class CountsItsDrivers(Scale):
    made = 0

    def __init__(self, options):
        super().__init__(options)
        CountsItsDrivers.made += 1
        self.number = CountsItsDrivers.made

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0] + self.number * 1e-9,) if isinstance(found, tuple) else found


@planted()
class StateThatIsNoJson(Scale):
    def state(self):
        return {"last": b"x"}


@planted()
class StateThatCannotBeRestored(Scale):
    count = 0

    def decode(self, line, asked=None):
        self.count += 1
        return super().decode(line, asked)

    def state(self):
        return {"count": self.count}

    def restore(self, state):
        raise KeyError("count")


@planted()
class AllReadingsInOneList(Scale):
    """Keeps each reading for a mean that nothing asks for."""

    def __init__(self, options):
        super().__init__(options)
        self.all = []

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        self.all.append(found)
        return found


# ---- surroundings


@planted()
class LooksAtTheDate(Scale):
    def decode(self, line, asked=None):
        return super().decode(line, asked) if datetime.date.today().year > 2000 else Reject("no date")  # noqa: DTZ011


@planted()
class LooksAtTheEnvironment(Scale):
    def decode(self, line, asked=None):
        return super().decode(line, asked) if "SCALE_OFF" not in os.environ else Reject("off")


@planted()
class StartsAThread(Scale):
    def __init__(self, options):
        super().__init__(options)
        threading.Thread(target=lambda: None).start()


@planted()
class ValueOfTheHash(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0] + id(self) % 7,) if isinstance(found, tuple) else found


@planted()
class DigestWithoutItsOptions(Stirrer):
    def digest(self):
        return hashlib.sha256(b"stirrer").hexdigest()


@planted()
class ShortDigest(Scale):
    def digest(self):
        return "2094"


# ---- requests and motion


@planted()
class PollsAList(Probe):
    def poll(self):
        return list(super().poll())


@planted()
class PollsNothing(Scale):
    def poll(self):
        return ()


@planted()
class PollsAsText(Scale):
    def poll(self):
        return Request("GW\r\n", "reading")


@planted()
class NoTries(Scale):
    def poll(self):
        return replace(super().poll(), tries=0)


@planted()
class IntervalOfNothing(Scale):
    interval_ns = 0


@planted()
class IntervalInSeconds(Scale):
    interval_ns = 1


@planted()
class LagBelowZero(Scale):
    lag_ns = -1


@planted()
class ForgetsTheDirection(Stirrer):
    def action(self, action, value=None):
        return super().action(action, value if value is None else abs(value))


@planted()
class WholeSpeedsOnly(Stirrer):
    """Sends 12.7 as 12, and confirms it as the instrument does."""

    def action(self, action, value=None):
        return super().action(action, value if value is None else float(int(value)))


@planted()
class AnySpeed(Stirrer):
    """Sends a speed that no instrument has, where the limit is 600."""

    def action(self, action, value=None):
        if action == "speed" and value is not None:
            return Request(self.line(b"S%.1f" % value), "speed")
        return super().action(action, value)


@planted()
class HaltIsAWish(Stirrer):
    """Sends a speed of zero in place of the halt; the halt's answer is never requested."""

    def action(self, action, value=None):
        return Request(self.line(b"S0.0"), "halt") if action == "halt" else super().action(action, value)


# ---- answers


@planted()
class AnyLineConfirmsTheHalt(Stirrer):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return Reply("halt") if asked is not None and asked.expects == "halt" and isinstance(found, tuple) else found


@planted()
class ConfirmsTheRequestedSpeed(Stirrer):
    """The confirmed speed is that of the request, whatever the answer says."""

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, Reply) and found.kind == "speed" and asked is not None and asked.expects == "speed":
            return Reply("speed", float(asked.data[1:].partition(b"*")[0]))
        return found


@planted(UNSEEN)
class RefusalIsAConfirmation(Stirrer):
    def decode(self, line, asked=None):
        if line == sealed(b"?") and asked is not None:
            return Reply(asked.expects) if asked.expects in ("halt", "speed") else Reject("refused")
        return super().decode(line, asked)


@planted()
class DashesAreZeroAtOnce(Stirrer):
    """A line without any number, in which both are dashes, is read as zero."""

    def decode(self, line, asked=None):
        return (0.0, 0.0) if line == sealed(b"V--,--") else super().decode(line, asked)


@planted(UNSEEN)
class BlockedIsZero(Stirrer):
    def decode(self, line, asked=None):
        return (0.0, 0.0) if line == sealed(b"VBLOCKED") else super().decode(line, asked)


@planted()
class ZerosAreAChecksum(Stirrer):
    """A checksum of 00 is never compared: an earlier firmware sent it."""

    def decode(self, line, asked=None):
        return super().decode(sealed(line[:-3]) if line.endswith(b"*00") else line, asked)


@planted()
class BlanksAreAChecksum(Stirrer):
    def decode(self, line, asked=None):
        return super().decode(sealed(line[:-3]) if line.endswith(b"*  ") else line, asked)


@planted()
class ChecksumOfTheNumbersOnly(Stirrer):
    """Compares nothing where the line ends with a known value."""

    def decode(self, line, asked=None):
        content, _, check = line.rpartition(b"*")
        return super().decode(sealed(content) if check.isdigit() else line, asked)


@planted()
class LoadFromTheSpeed(Stirrer):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0], found[0] / 10 + 20) if isinstance(found, tuple) else found


@planted()
class SeveralOfOne(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return Several((found,)) if isinstance(found, tuple) else found


@planted()
class MoreThanDeclared(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return Several((found, found)) if isinstance(found, tuple) else found


@planted()
class RequestDecidesTheValue(Level):
    """In a stream a reading does not depend on a request; here one that waits for an answer is halved."""

    def identify(self):
        return Request(b"?", "identity")

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0] / 2, found[1]) if isinstance(found, tuple) and asked is not None else found


@planted()
class IntervalBeyondTheTruth(Level):
    interval_ns = 20_000_000_000
    stale_after_ns = 60_000_000_000


@planted(ALIKE)
class LevelWithoutItsLowByte(Level):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (float(line[2] * 256) / 10.0, found[1]) if isinstance(found, tuple) else found


@planted()
class MeasureWithoutChecksum(Level):
    has_checksum = False
    framing = Framing(measure=lambda w: -1 if w[0] != 0xA5 else 7, longest=16)

    def decode(self, line, asked=None):
        return (int.from_bytes(line[2:4], "big") / 10.0, 21.5) if len(line) == 7 else Reject("length")


@planted(ALIKE)
class OtherOrderOfBytes(Level):
    """The kit detects a wrong order of bytes only against the display."""

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (int.from_bytes(line[2:4], "little") / 100.0, found[1]) if isinstance(found, tuple) else found


@planted(ALIKE)
class OtherScale(Level):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0] / 10, found[1]) if isinstance(found, tuple) else found


@planted(UNSEEN)
class WithoutSign(Level):
    """A temperature below zero is 6553.4; the transcript has none."""

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0], int.from_bytes(line[4:6], "big") / 10.0) if isinstance(found, tuple) else found


@planted(EXCHANGED)
class ChannelsExchanged(Stirrer):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return found[::-1] if isinstance(found, tuple) else found


@planted(UNSEEN)
class BlockedIsIgnored(Stirrer):
    """The transcript has no line of a blocked motor."""

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return Reject("unknown line") if isinstance(found, Values) else found


@planted()
class HumidityOfTheTemperature(Probe):
    """Both parts have the temperature's place: the humidity is never received."""

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if getattr(found, "values", ()) and found.values[0][0] == 1:
            return replace(found, values=((0, found.values[0][1]),))
        return found
