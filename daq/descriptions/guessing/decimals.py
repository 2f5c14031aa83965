"""Find the decimal mark of the numbers in lines, and whether it may be a mark between thousands or between columns."""

import re
from collections.abc import Iterator, Sequence
from typing import Final

from daq.descriptions.guessing.fields import tokens_of

_RUN: Final = re.compile(r"(?<![\d.,vVrR])\d(?:[\d.,]*\d)?(?:[eE][+-]?\d{1,2}(?!\d))?")
"""Digits and marks; a number directly behind a letter v or r may be a version."""


def decimal_mark(texts: Sequence[str]) -> str:
    """Return the decimal mark: a comma where no number has a point and commas do not separate columns."""
    lines = [line for text in texts for line in text.splitlines()]
    points = sum(len(re.findall(r"\d\.\d", line)) for line in lines)
    separated = any(mark in line for line in lines for mark in ";\t")
    words = [word for line in lines for word in line.split()]
    commas = max((word.count(",") for word in words), default=0)
    single = commas == 1 and not any(re.search(r",(?!\d)|(?<!\d),", word) for word in words)
    return "," if not points and any(re.search(r"\d,\d", line) for line in lines) and (separated or single) else "."


def in_thousands(texts: Sequence[str], mark: str) -> tuple[str, bool]:
    """Return the first number in which `mark` may be one between thousands ("" for none), and whether it is none.

    A number of another form proves that the mark is none between thousands: with another number of digits behind it,
    with more than three digits before it, with a single zero before it, or with an exponent.
    """
    first, proved = "", False
    for number in numbers_with(texts, mark):
        if re.fullmatch(rf"(?!0[{mark}])\d{{1,3}}(?:[{mark}]\d{{3}})+(?:[.,]\d+)?", number):
            first = first or number
        else:
            proved = True
    return first, proved


def numbers_with(texts: Sequence[str], mark: str) -> Iterator[str]:
    """Yield the numbers with a mark; commas between numbers with points may separate columns."""
    for line in (line for text in texts for line in text.splitlines()):
        bare = "".join(" " if token.kind in ("clock", "hex") else token.text for token in tokens_of(line, mark))
        for run in _RUN.findall(bare):
            yield from (part for part in (run.split(",") if mark == "." else [run]) if mark in part)


def is_no_separator(texts: Sequence[str]) -> bool:
    """Return True where a comma between digits does not separate columns.

    The columns of a line are separated otherwise, or a number such as ``1,05`` has a zero behind the comma.  A number
    with zeros before it, or with three digits behind the comma, may be two columns of a constant width.
    """
    zero = re.compile(r"(?<![\d.,])(?:0|[1-9]\d*),0(?!\d\d(?!\d))\d+(?![\d.,])")
    return any(";" in text or "\t" in text or zero.search(text) for text in texts)
