"""Drivers whose planted fault shows in damaged lines, and over a line: bytes late or mixed with noise, or a silence."""

import re
from dataclasses import replace

from daq.core.driver import Part, Reject, Reply, Request, Values
from daq.core.framing import Framing
from tests.support.planted.bad_drivers import found_by
from tests.support.planted.good_drivers import Level, Probe, Scale, Stirrer, level_length, sealed, xor

# ---- damaged lines


@found_by("checksum")
class DoesNotLookAtTheChecksum(Stirrer):
    has_checksum = False

    def decode(self, line, asked=None):
        return super().decode(sealed(line.rpartition(b"*")[0]), asked)


@found_by("flipped bits")
class SaysItChecks(Stirrer):
    def decode(self, line, asked=None):
        return super().decode(sealed(line.rpartition(b"*")[0]), asked)


@found_by("flipped bits")
class ChecksOnlyAPart(Stirrer):
    def decode(self, line, asked=None):
        content, _, check = line.rpartition(b"*")
        if check != b"%02X" % xor(content):
            found = re.fullmatch(rb"V([+-]\d{1,3}\.\d),(\d{1,3}\.\d)", content)
            if found and check[:1] == b"%X" % (xor(content) >> 4):
                return (float(found[1]), float(found[2]))
        return super().decode(line, asked)


@found_by("cut lines")
class BelievesALineWithoutChecksum(Stirrer):
    def decode(self, line, asked=None):
        found = re.fullmatch(rb"V([+-]\d{1,3}\.\d),(\d{1,3}\.?\d?)", line)
        return (float(found[1]), float(found[2])) if found else super().decode(line, asked)


@found_by("run together")
class LooksOnlyAtTheBeginning(Scale):
    def decode(self, line, asked=None):
        found = re.match(rb"[+-]\s{0,6}\d{1,4}\.\d\d g (ST|MV)", line)
        return super().decode(found[0] if found else line, asked)


# ---- with the exchange


@found_by("other address")
class BelievesEveryAddress(Probe):
    def decode(self, line, asked=None):
        content = b"#" + self.address + line[3:-2]
        if line[:1] == b"#" and line[-2:] == b"%02X" % (sum(line[:-2]) % 256):
            return super().decode(content + b"%02X" % (sum(content) % 256), asked)
        return super().decode(line, asked)


@found_by("other address")
class AsksWithoutItsAddress(Probe):
    def ask(self, what):
        content = b"@01" + what
        return content + b"%02X\n" % (sum(content) % 256)


def greedy(window: bytes) -> int:
    """Believes any length that the second byte tells, without looking at the rest."""
    return -1 if window[0] != 0xA5 else 0 if len(window) < 2 else window[1] + 3


def hasty(window: bytes) -> int:
    """Changes its mind: of two bytes it says -1, of seven that a frame begins."""
    return -1 if len(window) < 7 else level_length(window)


@found_by("byte by byte")
class MeasureThatCannotWait(Level):
    framing = Framing(measure=hasty, longest=16)


@found_by("finds its place")
class MeasureThatBelievesAnyLength(Level):
    framing = Framing(measure=greedy, longest=300)


@found_by("clean line")
class ForgetsTheSecondPart(Probe):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return Reject("unknown line") if isinstance(found, Part) and asked is None else found

    def poll(self):
        return (Request(self.ask(b"T"), "reading"), Request(self.ask(b"H"), "identity"))


@found_by("doubled ends")
class TakesAnEmptyLineForAnAnswer(Scale):
    def decode(self, line, asked=None):
        return Values((None,), (("", "silent"),)) if not line else super().decode(line, asked)


@found_by("halt")
class HaltThatIsAReading(Stirrer):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return Reply("stopped") if isinstance(found, Reply) and found.kind == "halt" else found


@found_by("unplugged")
class DoesNotStartAgain(Scale):
    started = False

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, Reply):
            if self.started:
                self.dead = True
            self.started = True
        return Reject("dead") if getattr(self, "dead", False) else found


@found_by("flood")
class TiresAfterManyLines(Scale):
    count = 0

    def decode(self, line, asked=None):
        self.count += 1
        return Reject("tired") if self.count > 2500 else super().decode(line, asked)


@found_by("lost bytes")
class BelievesLinesOfOldFirmware(Stirrer):
    """An earlier firmware had no checksum and more decimals: where the mark is lost, the checksum becomes decimals."""

    def decode(self, line, asked=None):
        found = re.fullmatch(rb"V([+-]\d{1,3}\.\d),(\d{1,3}\.\d{1,3})", line)
        return (float(found[1]), float(found[2])) if found else super().decode(line, asked)


@found_by("garbage")
class TakesNoiseForARefusal(Scale):
    """The scale says `?` to what it does not know; so does noise, and the request is taken for settled."""

    def decode(self, line, asked=None):
        return Reply("refused", refusal="?") if re.fullmatch(rb"\W+", line) else super().decode(line, asked)


@found_by("late answers")
class TakesAnswersInTurn(Probe):
    """The first answer is the temperature, the second the humidity, whatever they say of themselves."""

    turn = 0

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, Part):
            found = Part(((self.turn, found.values[0][1]),))
            self.turn = 1 - self.turn
        elif isinstance(found, Reject):
            self.turn = 0
        return found

    def state(self):
        return {"turn": self.turn}

    def restore(self, state):
        self.turn = state["turn"]


@found_by("late answers")
class TimeOutOfAMinute(Scale):
    def poll(self):
        return replace(super().poll(), timeout_ns=60_000_000_000)


@found_by("silence")
class StopsAskingWhenNothingAnswers(Probe):
    """Not to bother an instrument that is switched off; nobody begins again when it is switched on."""

    unanswered = 0

    def poll(self):
        self.unanswered += 1
        return None if self.unanswered > 8 else super().poll()

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if not isinstance(found, Reject):
            self.unanswered = 0
        return found
