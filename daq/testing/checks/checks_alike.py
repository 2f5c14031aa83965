"""Checks that a driver reads all lines by one rule: numbers with one factor, and no two texts of one place alike."""

import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Final

from daq.core.driver import Driver
from daq.descriptions.guessing.decimals import decimal_mark
from daq.testing.case import Case, decode, is_mostly_text, passed
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import Example, is_reading, values_of

MOST_TEXTS: Final = 24
"""Greatest number of texts of one place, spread over all of them, that are exchanged in a line."""
LEAST_ALIKE: Final = 3
"""Least number of different numbers that prove that a value is its number times a factor."""
_RUN: Final = re.compile(rb"[A-Za-z0-9]+")
_NUMBERS: Final = {
    mark: re.compile(
        rb"(?<![0-9][eE])(?:[+-][0-9]+(?![.,]?[0-9A-Za-z])|(?<![0-9%b])[+-]?[0-9]+%b[0-9]+(?![0-9A-Za-z]))"
        % (mark.encode(), re.escape(mark.encode()))
    )
    for mark in ".,"
}
"""Decimal numbers by their mark: digits without sign and mark may be hexadecimal, with no constant factor."""


def one_factor(case: Case) -> Finding:
    """Check that a value that is its number times a factor in a line has this factor for all numbers of the capture."""
    driver = case.make()
    tried = 0
    good = _good(case)
    if not good:
        raise NotApplicableError("the transcript has no reading of text without fault")
    mark = decimal_mark([e.frame.decode("latin-1") for e in good])
    for lines in _alike(good, _NUMBERS[mark], case.tail):
        base = lines[0]
        rows = [[*_NUMBERS[mark].finditer(e.frame[: len(e.frame) - case.tail])] for e in lines]
        for at, place in enumerate(rows[0]):
            texts = _spread({row[at][0] for row in rows}, lambda text: _number(text, mark))
            found = [(text, _read(case, driver, base, place, text)) for text in texts]
            for channel, name in enumerate(c.name for c in driver.channels):
                own = [(text, values[channel]) for text, values in found if channel in values]
                tried += len(own)
                _factor_of(own, name, base, mark)
    return passed("one factor", f"{tried} numbers")


def _factor_of(own: Sequence[tuple[bytes, float]], name: str, base: Example, mark: str) -> None:
    """Raise where most values are their numbers times one factor, and another one is not."""
    pairs = [(text, _number(text, mark), value) for text, value in own]
    pairs = [(text, number, value) for text, number, value in pairs if number]
    factors = [value / number for _, number, value in pairs]
    usual = sorted(factors)[len(factors) // 2] if factors else 0.0
    right = [pair for pair, one in zip(pairs, factors, strict=True) if math.isclose(one, usual, rel_tol=1e-9)]
    if not usual or len(right) < LEAST_ALIKE or len(right) == len(pairs):
        return
    text, number, value = next(pair for pair in pairs if pair not in right)
    raise DriverFaultError(
        f"{name} is {value:g} for the number {text.decode('ascii')}, and {usual:g} times the number for {len(right)} "
        "others in its place",
        shown(base.frame),
        do=f"read {number * usual:g}: one rule for all numbers; another unit or range needs a mark in the line",
    )


def _read(case: Case, driver: Driver, e: Example, place: "re.Match[bytes]", text: bytes) -> dict[int, float]:
    """Return the values of a line with another number; empty where it is no reading without fault."""
    line = case.sealed(e.frame[: place.start()] + text + e.frame[place.end() :])
    meaning = decode(driver, line, e.asked)
    # A corrected checksum may not change the number again.
    kept = line[place.start() :].startswith(text)
    return values_of(meaning) if kept and is_reading(meaning) and not getattr(meaning, "faults", ()) else {}


def read_alike(case: Case) -> Iterator[str]:
    """Yield the texts of each place that a driver in Python reads alike, which may be states that it does not know."""
    driver = case.make()
    for lines in _alike(_good(case), _RUN, case.tail):
        base = lines[0]
        rows = [[*_RUN.finditer(e.frame[: len(e.frame) - case.tail])] for e in lines]
        for at, place in enumerate(rows[0]):
            others = {row[at][0] for row in rows} - {place[0]}
            same = [place[0]]
            for text in _spread(others, len):
                line = case.sealed(base.frame[: place.start()] + text + base.frame[place.end() :])
                if decode(driver, line, base.asked) == base.meaning:
                    same.append(text)
            if len(same) > 1:
                yield ", ".join(repr(text.decode("ascii")) for text in same[:8])


def _good(case: Case) -> list[Example]:
    found: dict[bytes, Example] = {}
    for e in case.transcript().readings:
        if not getattr(e.meaning, "faults", ()) and values_of(e.meaning):
            found.setdefault(e.frame, e)
    return [e for e in found.values() if is_mostly_text(e.frame[: len(e.frame) - case.tail])]


def _number(text: bytes, mark: str) -> float:
    return float(text.decode("ascii").replace(mark, "."))


def _spread(texts: Iterable[bytes], order: Callable[[bytes], float]) -> list[bytes]:
    """Return at most `MOST_TEXTS` of different texts, spread evenly over their order; the first and the last are in.

    The first ones of a ramp would leave out the range that another rule may have.
    """
    ordered = sorted(texts, key=lambda text: (order(text), text))
    steps = min(len(ordered), MOST_TEXTS) - 1
    return [ordered[i * (len(ordered) - 1) // steps] for i in range(steps + 1)] if steps > 0 else ordered


def _alike(good: Sequence[Example], part: "re.Pattern[bytes]", tail: int) -> list[list[Example]]:
    """Return the lines of one structure, those that differ in texts that match `part` only; `tail` is a checksum."""
    groups: dict[tuple[bytes, ...], list[Example]] = {}
    for e in good:
        groups.setdefault(tuple(part.split(e.frame[: len(e.frame) - tail])), []).append(e)
    return [lines for lines in groups.values() if len(lines) > 1]
