"""Ask a person for the decimal mark of lines where it may be a mark between thousands or between columns."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from daq.descriptions.guessing.decimals import decimal_mark, in_thousands, is_no_separator, numbers_with
from daq.descriptions.guessing.questions import Answers, yes_or_no

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
        part = sample or next(numbers_with(texts, ","), ",")
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
