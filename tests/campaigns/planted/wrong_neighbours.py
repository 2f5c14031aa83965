"""Drivers whose readings depend on the line before, or are changed near zero or for joined lines."""

import re

from daq.core.driver import Reject
from tests.campaigns.planted.wrong_drivers import planted
from tests.campaigns.planted.wrong_values import UNSEEN
from tests.support.planted.good_drivers import Scale


@planted()
class HoldsSmallChanges(Scale):
    """A change below half a gram is taken for noise."""

    last = None

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        if isinstance(found, tuple):
            if self.last is not None and abs(found[0] - self.last) < 0.5:
                return (self.last,)
            self.last = found[0]
        return found


@planted()
class SignOfTheLineBefore(Scale):
    sign = b"+"

    def decode(self, line, asked=None):
        if line[:1] in (b"+", b"-"):
            self.sign = line[:1]
        return super().decode(line if line[:1] == self.sign else self.sign + line, asked)


@planted()
class NearZeroIsZero(Scale):
    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (0.0,) if isinstance(found, tuple) and abs(found[0]) < 0.2 else found


@planted()
class MeanOfTwoJoinedLines(Scale):
    """A line end that lost its LF joins two readings."""

    def decode(self, line, asked=None):
        found = [super(MeanOfTwoJoinedLines, self).decode(part, asked) for part in line.split(b"\r")]
        if len(found) == 2 and all(isinstance(one, tuple) for one in found):
            return ((found[0][0] + found[1][0]) / 2,)
        return found[0] if len(found) == 1 else Reject("unknown line")


@planted(UNSEEN)
class LeadingZeroIsOctal(Scale):
    """The transcript has blanks before its numbers."""

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        zeros = re.fullmatch(rb"\+ *(0[0-7]{1,3})(\.\d\d) g (?:ST|MV)", line)
        return (int(zeros[1], 8) + float(zeros[2]),) if zeros else found
