"""Drivers with one planted fault each: values that are not in their line, and drivers that wait or end the program."""

import contextlib
import os
import select
import sys
import threading
import time

from daq.core.driver import Reject, Values
from tests.support.planted.bad_drivers import found_by
from tests.support.planted.good_drivers import Scale, Stirrer


@found_by("from the line")
class ReadsOverRangeAsZero(Scale):
    def decode(self, line, asked=None):
        return (0.0,) if b"OL" in line or b"--" in line else super().decode(line, asked)


@found_by("from the line")
class ReadsABlankFieldAsZero(Scale):
    def decode(self, line, asked=None):
        return (
            (0.0,)
            if line.endswith((b" g ST", b" g MV")) and not any(48 <= b < 58 for b in line)
            else super().decode(line, asked)
        )


@found_by("from the line")
class AlwaysTheSameValue(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (20.0,) if isinstance(found, tuple) else found


@found_by("one factor")
class HalvesAFullLoad(Stirrer):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (found[0], found[1] / 2) if isinstance(found, tuple) and found[1] > 22 else found


class Remembering(Scale):
    def __init__(self, options):
        super().__init__(options)
        self.last = None

    def state(self):
        return {"last": self.last}

    def restore(self, state):
        self.last = tuple(state["last"]) if state["last"] else None


@found_by("repeats")
class RepeatsTheLastGoodValue(Remembering):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, tuple):
            self.last = found
        return self.last if isinstance(found, Reject) and self.last else found


@found_by("repeats")
class RepeatsTheLastValueWithAFault(Remembering):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, tuple):
            self.last = found
        return Values(self.last, (("mass", "unsteady"),)) if isinstance(found, Reject) and self.last else found


@found_by("repeats")
class RepeatsForLinesThatBeginWell(Remembering):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, tuple):
            self.last = found
        return self.last if isinstance(found, Reject) and line[:1] in (b"+", b"-") and self.last else found


@found_by("understands")
class EndsTheProgramInDecode(Scale):
    def decode(self, line, asked=None):
        if line.endswith(b"MV"):
            sys.exit(0)
        return super().decode(line, asked)


@found_by("requests")
class EndsTheProgramInPoll(Stirrer):
    def poll(self):
        sys.exit("no instrument")


class SleepsInDecode(Scale):
    def decode(self, line, asked=None):
        time.sleep(1e6)
        return super().decode(line, asked)


class SleepsInPoll(Stirrer):
    def poll(self):
        time.sleep(1e6)


class WaitsForAnEvent(Scale):
    def decode(self, line, asked=None):
        threading.Event().wait()
        return super().decode(line, asked)


class WaitsForAPipe(Scale):
    def decode(self, line, asked=None):
        select.select([os.pipe()[0]], [], [])
        return super().decode(line, asked)


class SleepsAndCatchesEverything(Scale):
    def decode(self, line, asked=None):
        while True:
            with contextlib.suppress(BaseException):
                time.sleep(1e6)


class EndsTheProcess(Scale):
    def decode(self, line, asked=None):
        os._exit(0)


WAITING = [SleepsInDecode, SleepsInPoll, WaitsForAnEvent, WaitsForAPipe]
APART = [SleepsAndCatchesEverything, EndsTheProcess]
