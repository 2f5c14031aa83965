"""Questions to a person about a capture: each has a text, the lines concerned, and the answers that are understood."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Final, TypeVar

from daq.core.faults import FAULTS
from daq.core.thousands import may_be_thousands, two_ways
from daq.descriptions.entries import INSTRUMENT_FAULTS, near
from daq.descriptions.guessing.enteredunits import entered_unit

T = TypeVar("T")
MOST_LINES: Final = 4
"""Greatest number of lines that are shown with a question."""
NOTHING: Final = "ok"
"""Answer for a text or a bit that means no fault."""
CHANNEL_NAME: Final = re.compile(r"[a-z][a-z0-9_]*")


@dataclass(frozen=True, slots=True)
class Question:
    """A question about a capture.

    Attributes:
        key: constant name of the question; an answer to another one does not change it.
        text: the question.
        point: the remark that stays in the description without an answer; "" for none.
        lines: the lines concerned.
        parts: the part of each of them that is in question; "" for the whole line.
        answers: answers that are understood, for a person.
    """

    key: str
    text: str
    point: str
    lines: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    answers: str = ""
    check: Callable[[str], object] = str


@dataclass(slots=True)
class Answers:
    """Answers of a person, and the questions that have none."""

    given: Mapping[str, str] = field(default_factory=dict)
    open: list[Question] = field(default_factory=list)

    def ask(
        self, key: str, text: str, read: Callable[[str], T], *, point: str = "", lines: Sequence[str] = (),
        parts: Sequence[str] = (), answers: str = "",
    ) -> T | None:  # fmt: skip
        """Return the answer to a question as `read` understands it; None where there is none.

        Raises:
            ValueError: `read` does not understand the answer.
        """
        if key in self.given:
            return read(self.given[key])
        if all(question.key != key for question in self.open):
            shown: dict[str, tuple[str, str]] = {}
            several = len(set(parts)) > 1
            for line, part in zip_longest(lines, parts[: len(lines)], fillvalue=""):
                shown.setdefault(part if several and part else line, (line, part))
            pairs = list(shown.values())[:MOST_LINES]
            own, places = tuple(line for line, _ in pairs), tuple(part for _, part in pairs)
            self.open.append(Question(key, text, point, own, places, answers, read))
        return None


def yes_or_no(text: str) -> bool:
    """Return True for yes, False for no.

    Raises:
        ValueError: the text is neither.
    """
    if text.strip().lower() in ("yes", "y"):
        return True
    if text.strip().lower() in ("no", "n"):
        return False
    raise ValueError("answer yes or no")


def one_of(choices: Sequence[str]) -> Callable[[str], str]:
    """Return the reader of one of the choices, given as its text or its number from 1."""

    def read(text: str) -> str:
        text = text.strip()
        if text in choices:
            return text
        if text.isdecimal() and 1 <= int(text) <= len(choices):
            return choices[int(text) - 1]
        raise ValueError(f"answer with one of: {'; '.join(choices)}")

    return read


def fault(text: str) -> str:
    """Return a fault with or without its channel, as in ``temperature: probe``; "" where the text means no fault.

    Raises:
        ValueError: there is no such fault.
    """
    text = text.strip()
    if text == NOTHING:
        return ""
    name = text.rpartition(":")[2].strip()
    if name not in FAULTS:
        raise ValueError(f"there is no fault {name!r}; {near(name, INSTRUMENT_FAULTS)}")
    return text


DECIMAL: Final = "decimal"
"""Answer for digits that are decimal."""
LABEL: Final = "ignored"
"""Answer for texts and numbers that have no meaning for the values."""
OTHER_QUANTITY: Final = "quantity"
"""Answer for a text that names the quantity of the number beside it."""


def state(text: str) -> str:
    """Return the meaning of a text in a line: a fault, "" for none, `LABEL` or `OTHER_QUANTITY`.

    Raises:
        ValueError: there is no such fault.
    """
    return text.strip() if text.strip() in (LABEL, OTHER_QUANTITY) else fault(text)


def fault_in_place(text: str) -> str:
    """Return the fault of a text in the place of a number.

    Raises:
        ValueError: there is no such fault, or it is one of a number.
    """
    found = fault(text).rpartition(":")[2].strip()
    if not found or FAULTS[found].keeps_value:
        raise ValueError("a text in the place of a number is a fault: probe, sensor, over_range, not_a_number, ...")
    return found


@dataclass(frozen=True, slots=True)
class Meaning:
    """Meaning of a number or of a word of hexadecimal digits.

    Attributes:
        says: ``number`` in a unit, ``state``, ``bits``, ``ignored``, or ``decimal`` for letters that are no digits.
        unit, factor: UCUM code, and factor of the number to it.
        signed_bits: number of bits of a hexadecimal number in two's complement; otherwise 0.
    """

    says: str
    unit: str = ""
    factor: float = 1.0
    signed_bits: int = 0


def meaning(text: str) -> Meaning:
    """Return the meaning of a number without a unit.

    Raises:
        ValueError: the unit is unknown.
    """
    text = text.strip()
    if text in ("bits", "state", LABEL):
        return Meaning(text)
    return Meaning("number", *entered_unit(text))


def bits_of(words: Sequence[str]) -> int:
    """Return the number of bits of words of hexadecimal digits; 0 where they have several widths, or one digit."""
    widths = {len(word) for word in words}
    # The next number may have two digits.
    return 4 * widths.pop() if len(widths) == 1 and widths != {1} else 0


def hexadecimal(bits: int, *, decimal: bool = False) -> Callable[[str], Meaning]:
    """Return the reader of the meaning of a word of hexadecimal digits; `bits` is that of `bits_of`.

    The reader refuses other answers, unknown units, and two's complement without a number of bits. With `decimal` it
    accepts that the letters are no digits.
    """
    words = ("bits", "state", LABEL, *([DECIMAL] if decimal else ()))

    def read(text: str) -> Meaning:
        text = text.strip()
        if text in words:
            return Meaning(text)
        kind, _, unit = text.partition(" ")
        if kind not in ("number", "signed"):
            raise ValueError(f"answer {', '.join(words)}, number UNIT or signed UNIT")
        return Meaning("number", *entered_unit(unit), with_sign(kind == "signed", bits))

    return read


def with_sign(signed: bool, bits: int) -> int:
    """Return the number of bits in two's complement; 0 for a number without sign.

    Raises:
        ValueError: it has a sign, and its number of bits is not known.
    """
    if signed and not bits:
        # The bits of one of the words would make another one negative, or refuse it.
        raise ValueError(
            "these digits have several widths, or one digit, so that the number of bits is not known: a description "
            "reads two's complement in digits of one width only; capture again, or write a driver in Python"
        )
    return bits if signed else 0


def name(text: str) -> str:
    """Return the name of a channel.

    Raises:
        ValueError: a name has other characters.
    """
    if CHANNEL_NAME.fullmatch(text.strip()) is None:
        raise ValueError("begin with a small letter, go on with small letters, digits and _")
    return text.strip()


def free_name(used: Mapping[str, str]) -> Callable[[str], str]:
    """Return the reader of the name of a channel that is none of `used`, each with a number that has the name."""

    def read(text: str) -> str:
        found = name(text)
        if found in used:
            raise ValueError(f"{found!r} is the name of {used[found]} in these lines already; give another one")
        return found

    return read


def state_beside(others: Mapping[str, str]) -> Callable[[str], str]:
    """Return the reader of the meaning of a text, beside the answers on the other texts in its place.

    The reader refuses `LABEL` beside a meaning, and a meaning beside `LABEL`: a place is ignored with all of its texts.
    """

    def read(text: str) -> str:
        found = state(text)
        for other, own in others.items():
            if (own == LABEL) != (found == LABEL):
                raise ValueError(
                    f"{other!r} in the same place is {own!r}: either all texts in a place are ignored, or each has a "
                    "meaning (ok for no fault)"
                )
        return found

    return read


def span(unit: str) -> Callable[[str], tuple[float, float]]:
    """Return the reader of a range in a unit, as in ``-20 to 150``, or in another unit of the quantity."""

    def read(text: str) -> tuple[float, float]:
        number = r"([+-]?[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]{1,2})?)"
        found = re.fullmatch(rf"\s*{number}\s+to\s+{number}\s*(.*?)\s*", text)
        if found is None:
            raise ValueError(f"write it as in: 0 to 100 {unit}")
        if found[3] and entered_unit(found[3]) != (unit, 1.0):
            raise ValueError(f"write it in {unit}")
        limits = found.group(1, 2)
        doubtful = [one for one in limits if may_be_thousands(one)]
        # A number of another form with the same mark proves a decimal mark: 0.998 to 1.002.
        proofs = {mark for one in limits for mark in ".," if mark in one and one not in doubtful}
        for one in doubtful:
            if not proofs & {*one}:
                raise ValueError(two_ways(one))
        low, high = (float(one.replace(",", ".")) for one in limits)
        if low >= high:
            raise ValueError("the lower limit is not below the upper one")
        return low, high

    return read
