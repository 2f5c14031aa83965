"""Find out whether the digits of whole numbers are decimal or hexadecimal, or ask a person.

Hexadecimal numbers whose capture has no letter A to F look like decimal ones: `10` is 10 or 16, `0123` is 123 or 291.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Final

from daq.descriptions.guessing.fields import GuessedField, GuessedLine
from daq.descriptions.guessing.finding.transcript import ReceivedLine
from daq.descriptions.guessing.questions import DECIMAL, Answers, bits_of, one_of, with_sign

HEXADECIMAL: Final = "hexadecimal"
SIGNED: Final = "signed"
_HEXADECIMAL: Final = re.compile(r"[0-9A-F]{2,8}|[0-9a-f]{2,8}")
_EXPONENT: Final = re.compile(r"[0-9]+[eE][0-9]{1,2}")
MANY: Final = 40
"""Least number of different numbers whose digits prove a base: 40 hexadecimal digits without a letter have the
probability (10/16)^40, or 27 bits."""
COUNTED: Final = 12
"""Least number of lines of a counter that prove its base: at least one of them goes from 9 to 10."""
_NUMBER: Final = re.compile(r"[0-9]+(?:[.,][0-9]+)?")


def shown_beside(
    shown: Sequence[tuple[int, str]], readings: Sequence[ReceivedLine], body: Callable[[bytes], str]
) -> dict[str, list[str]]:
    """Return the texts of the display (time in ns, text) by the line before each, of every request the last one."""
    out: dict[str, list[str]] = {}
    for t, text in shown:
        for line in {h.asked: h for h in readings if h.t <= t}.values():
            out.setdefault(body(line.text), []).append(text)
    return out


def settle_base(line: GuessedLine, found: GuessedField, shown: Mapping[str, Sequence[str]], ask: Answers) -> None:
    """Make a number hexadecimal where a person says so; without proof and answer it has an open point."""
    measured = _measured(found)
    if not _in_doubt(found, measured) or _proved_decimal(line, found, shown):
        return
    sample = next((text for text in measured if int(text, 16) > 9), "")
    point = f"whether {sample} is decimal or hexadecimal ({int(sample, 16)})" if sample else ""
    text = f"Are the digits {sample} in these lines decimal or hexadecimal?"
    if not sample:
        # A number of one digit is the same in both ways, and the next one may have two.
        text = "Are the digits in these lines decimal or hexadecimal: is the number after 9 written 10 or A?"
        point = f"whether {measured[0]} is decimal or hexadecimal (is the number after 9 written 10 or A?)"
    words = [text for text in found.texts if text not in found.special or _HEXADECIMAL.fullmatch(text)]
    bits = bits_of(words)

    def read(answer: str) -> str:
        given = one_of((DECIMAL, HEXADECIMAL, SIGNED))(answer)
        with_sign(given == SIGNED, bits)
        return given

    signed = f"; {SIGNED} (hexadecimal, two's complement of {bits} bits)" if bits else ""
    base = ask.ask(
        f"digits {found.key}", text, read, point=point, lines=line.lines, parts=found.texts,
        answers=f"{DECIMAL}; {HEXADECIMAL}{signed}",
    )  # fmt: skip
    if base is None:
        found.base_point = point
    elif base != DECIMAL:
        found.pad = found.type == "padded"
        found.special = [text for text in found.special if not _HEXADECIMAL.fullmatch(text)]
        found.type, found.width, found.signed_bits = "hexadecimal", bits // 4, with_sign(base == SIGNED, bits)


def _measured(found: GuessedField) -> list[str]:
    return [text for text in found.texts if text not in found.special]


def _in_doubt(found: GuessedField, measured: Sequence[str]) -> bool:
    """Return True for whole numbers without a sign that may be hexadecimal: `10`, `0123`, `1E2`, also beside `A3`."""
    if found.type == "scientific":
        exponents = any(map(_EXPONENT.fullmatch, measured))
        return exponents and all(_EXPONENT.fullmatch(text) or _is_digits(text) for text in measured)
    if found.type not in ("number", "padded") or not all(map(_is_digits, measured)):
        return False
    return any(map(_HEXADECIMAL.fullmatch, found.special)) or not (_has_all_digits(measured) or _is_counter(measured))


def _is_digits(text: str) -> bool:
    return text.isascii() and text.isdecimal()


def _has_all_digits(measured: Sequence[str]) -> bool:
    """Return True where many different numbers have each of the digits 0 to 9 in their last two places, and no letter.

    Both places must have all ten digits: a status of a few bits may never have a letter.
    """
    different = {text for text in measured if len(text) > 1}
    return len(different) >= MANY and all(len({text[-at] for text in different}) == 10 for at in (1, 2))


def _is_counter(measured: Sequence[str]) -> bool:
    """Return True where each number is the decimal one after that of the line before it, beyond 9 to 10."""
    return len(measured) >= COUNTED and all(int(b) - int(a) == 1 for a, b in pairwise(measured))


def _proved_decimal(line: GuessedLine, found: GuessedField, shown: Mapping[str, Sequence[str]]) -> bool:
    """Return True where the display shows the decimal digits beside each line that has a text of the display.

    Numbers that are the same in both ways prove nothing, nor does a number of one digit, nor one that is in the line
    twice.  A number that the display does not show leaves the question.
    """
    proved = False
    for text, own in zip(found.texts, line.lines, strict=True):
        if text in found.special:
            continue
        decimal, other = _significant(f"{float(text):.0f}"), _significant(str(int(text, 16)))
        for note in shown.get(own, ()):
            numbers = [_significant(number) for number in _NUMBER.findall(note)]
            if decimal == other:
                continue
            if decimal not in numbers or other in numbers:
                return False
            in_line = [_significant(number) for number in _NUMBER.findall(own)]
            proved |= len(decimal) > 1 and in_line.count(decimal) == 1
    return proved


def _significant(number: str) -> str:
    """Return the digits of a number without the zeros at both ends: the scale of the display may be another one."""
    return re.sub("[^0-9]", "", number).strip("0")
