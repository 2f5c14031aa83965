"""Find the decimal mark of the numbers in lines, and whether it may be a mark between thousands or between columns."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from daq.descriptions.guessing.fields import tokens_of
from daq.descriptions.guessing.questions import Answers, yes_or_no

_RUN: Final = re.compile(r"(?<![\d.,vVrR])\d(?:[\d.,]*\d)?(?:[eE][+-]?\d{1,2}(?!\d))?")
"""Digits and marks; a number directly behind a letter v or r may be a version."""
THOUSANDS: Final = (
    "a description has no numbers with a mark between thousands: switch it off at the instrument and capture again, or "
    "write a driver in Python"
)


@dataclass(slots=True)
class Mark:
    """Decimal mark of lines.

    Attributes:
        mark: a point or a comma.
        points: the open points on it.
        proved: marks that are a decimal mark for sure.
    """

    mark: str
    points: list[str] = field(default_factory=list)
    proved: set[str] = field(default_factory=set)


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
    for number in _numbers(texts, mark):
        if re.fullmatch(rf"(?!0[{mark}])\d{{1,3}}(?:[{mark}]\d{{3}})+(?:[.,]\d+)?", number):
            first = first or number
        else:
            proved = True
    return first, proved


def _numbers(texts: Sequence[str], mark: str) -> Iterator[str]:
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


def asked_decimal_mark(texts: Sequence[str], ask: Answers) -> Mark:
    """Return the decimal mark with the open points on it.

    A comma that may also separate two numbers is a question, and so is a mark that may be one between thousands.
    """
    found = Mark(decimal_mark(texts))
    if found.mark == ",":
        sample, proved = in_thousands(texts, ",")
        if is_no_separator(texts) and (proved or not sample):
            found.proved.add(",")
            return found
        part = sample or next(_numbers(texts, ","), ",")
        point = f"whether {part} is one number with a decimal comma, or two numbers"
        point += ", or one with a comma between thousands" if sample and not proved else ""
        answer = ask.ask(
            "comma", f"Is {part} in these lines one number, with a decimal comma?", comma, point=point,
            lines=[text for text in texts if part in text],
            answers="yes; no, where the comma separates two numbers; thousands, where it is between thousands",
        )  # fmt: skip
        found.points += [point] if answer is None else []
        found.proved |= {","} if answer else set()
        found.mark = "." if answer is False else ","
        return found
    for mark, key, name in ((".", "point", "point"), (",", "separator", "comma")):
        sample, proved = in_thousands(texts, mark)
        if proved or not sample:
            found.proved |= {mark} if proved and mark == "." else set()
            continue
        question, point = (
            f"Does the comma in {sample} separate two numbers?",
            f"whether the comma in {sample} separates",
        )
        if mark == ".":
            question, point = f"Is the point in {sample} a decimal point?", f"whether the point in {sample} is decimal"
        point += f" or is between thousands; then {sample} is read as a wrong number"
        answer = ask.ask(
            key, question, decimal, point=point, lines=[text for text in texts if sample in text],
            answers=f"yes; no, where the {name} is between thousands",
        )  # fmt: skip
        found.points += [point] if answer is None else []
        found.proved |= {mark} if answer and mark == "." else set()
    return found


def decimal(text: str) -> bool:
    """Return True for yes.

    Raises:
        ValueError: the mark is between thousands, which a description cannot read, or the text is no answer.
    """
    if text.strip() == "thousands" or not yes_or_no(text):
        raise ValueError(THOUSANDS)
    return True


def comma(text: str) -> bool:
    """Return True for a decimal comma, False for one between two numbers.

    Raises:
        ValueError: the comma is between thousands, which a description cannot read, or the text is no answer.
    """
    return decimal(text) if text.strip() == "thousands" else yes_or_no(text)
