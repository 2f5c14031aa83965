"""Check that numbers of lines are read whole: with their sign, all of their digits, and their exponent."""

import math
import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from daq.core.driver import Decoded, Driver, Reject
from daq.core.thousands import may_be_thousands
from daq.core.units import UNITS
from daq.descriptions.guessing.decimals import decimal_mark, is_no_separator
from daq.descriptions.guessing.fields import tokens_of
from daq.descriptions.unitwords import UNIT_WORD, unit_word
from daq.testing.case import Case, decode, is_mostly_text, passed
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import Example, is_reading, values_of

MOST_LINES: Final = 24
MOST_JOINED: Final = 120
"""Greatest number of lines, spread over the capture, in which numbers side by side are changed."""
LEAST_BEHIND: Final = 3
"""Least number of different numbers of three digits behind a blank that are behind thousands without a zero first."""
_PLAIN: Final = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
_GLUE: Final = re.compile(r" | ?(?::|'|\u00b0|h|min|m|x|X|\*|\^|(?:[xX*] ?)?10\^) ?")
"""Text between the parts of one value: minutes and seconds, degrees and minutes, a number and its factor."""
_THOUSANDS: Final = re.compile(r"[0-9]{1,3} [0-9]{3}(?:[.,][0-9]+)?")
SIXTIETHS: Final = frozenset({":", "'", "\u00b0", "h", "min", "m"})
"""Texts of `_GLUE` after which sixtieths come."""
_UNIT: Final = re.compile(rf" ?({UNIT_WORD})(?! ?[+-]?[0-9])")
"""A word that is no name of the next number."""
_SIGN_BEHIND: Final = re.compile(rf" *(?:{UNIT_WORD})? *([+-])(?![-+.,0-9])")
"""A sign behind a number or behind its unit, which is no dash of several and not the sign of the next number."""


def faultless(case: Case) -> list[Example]:
    """Return the readings of the capture without fault, each line once."""
    found: dict[bytes, Example] = {}
    for e in case.transcript().readings:
        if not getattr(e.meaning, "faults", ()) and values_of(e.meaning):
            found.setdefault(e.frame, e)
    if not found:
        raise NotApplicableError("the transcript has no reading without fault")
    return list(found.values())


def whole_numbers(case: Case) -> Finding:
    """Check that all of a number is read: its sign, each of its digits, and its exponent.

    One character is changed in turn.  A digit behind another one that is read must change the value or refuse the line,
    and so must a sign.
    """
    driver = case.make()
    good = [e for e in faultless(case) if is_mostly_text(e.frame[: len(e.frame) - case.tail])]
    if not good:
        raise NotApplicableError("its readings are no lines of text")
    shapes = [e for e in case.shapes() if e.frame in {one.frame for one in good}]
    mark = mark_of(driver, good)
    tried = 0
    for e in list({one.frame: one for one in (*shapes, *good)}.values())[:MOST_LINES]:
        for start, text in numbers_of(e.frame[: len(e.frame) - case.tail].decode("latin-1"), mark):
            tried += 1
            part = _unread_part(case, driver, e, start, text, mark)
            if part:
                raise DriverFaultError(
                    f"the {part} of the number {text} has no effect on the reading",
                    f"{shown(e.frame)}: {shown(e.meaning)}",
                    do="read the whole number, with its sign and its exponent, as one field",
                )
    _smallest(case, driver, good, mark)
    _sign_behind(case, driver, good, mark)
    _fixed_minus(case, driver, good, mark)
    if not case.transcript().shown and not case.expected:
        _in_thousands(case, driver, good, mark)
        _joined(case, driver, good, mark)
    return passed("whole numbers", f"{tried} numbers")


def mark_of(driver: Driver, good: Sequence[Example]) -> str:
    """Return the decimal mark: that of a description, or a comma that no line can have between columns."""
    tables = getattr(driver, "tables", None)
    texts = [e.frame.decode("latin-1") for e in good]
    is_comma = decimal_mark(texts) == "," and is_no_separator(texts)
    return "," if is_comma or (tables is not None and tables.decimal == "comma") else "."


def numbers_of(text: str, mark: str) -> Iterator[tuple[int, str]]:
    """Yield the numbers of a line with the places of their first characters."""
    at = 0
    for token in tokens_of(text, mark):
        if token.kind == "number" and text.startswith(token.text, at):
            yield at, token.text
        at = at + len(token.text) if text.startswith(token.text, at) else text.find(token.text, at) + len(token.text)


def _unread_part(case: Case, driver: Driver, e: Example, start: int, text: str, mark: str) -> str:
    """Return the part of a number that has no effect on the reading, for a person; "" for none."""
    number = _value(text, mark)
    effects = {
        i: _effect(case, driver, e, start, text, i, mark, on_values=True) for i, c in enumerate(text) if c.isdigit()
    }
    read = [i for i, has in effects.items() if has]
    if not read:
        return ""  # a number of the line that is no value of the reading
    end = len(re.split("[eE]", text)[0])
    point = text.find(mark) if mark in text else end
    for i, has in effects.items():
        if has is False and i > read[0]:
            return "exponent" if i > end else "digits behind the mark" if i > point else "last digits"
        if has is False and i < point < read[0]:
            return "digits before the mark"
    if text[0] in "+-" and number:
        other = ("+" if text[0] == "-" else "-") + text[1:]
        if changed_meaning(case, driver, e, start, text, other) == e.meaning:
            return "sign"
    return ""


def _effect(
    case: Case, driver: Driver, e: Example, start: int, text: str, at: int, mark: str, *, on_values: bool = False
) -> bool | None:
    """Return whether a digit has an effect on the reading; None where no such line is accepted.

    `on_values`: an effect is another value; a digit of a status, which only adds a fault, gives None.
    """
    unchanged = faulty = False
    for digit in "5417":
        other = text[:at] + digit + text[at + 1 :]
        if digit == text[at] or _value(other, mark) == _value(text, mark):
            continue
        meaning = changed_meaning(case, driver, e, start, text, other)
        if isinstance(meaning, Reject):
            continue
        if meaning != e.meaning:
            if not on_values or not _same_values(meaning, e.meaning):
                return True
            faulty = True
            continue
        unchanged = True
    return False if unchanged and not faulty else None


def _same_values(one: Decoded, other: Decoded) -> bool:
    """Return True where two readings differ in their faults and the values that these make missing, and in no value."""
    a, b = values_of(one), values_of(other)
    return is_reading(one) and all(a[at] == b[at] for at in a.keys() & b.keys())


def changed_meaning(case: Case, driver: Driver, e: Example, start: int, text: str, other: str) -> Decoded:
    """Return what a driver reads where the text from `start` on is another one, with its checksum put right."""
    frame = e.frame[:start] + other.encode("latin-1") + e.frame[start + len(text) :]
    sealed = case.sealed(frame)
    # A corrected checksum behind the number may not change the number again.
    return decode(driver, sealed, e.asked) if sealed.startswith(frame[: start + len(other)]) else Reject("no line")


def _value(text: str, mark: str) -> float:
    try:
        return float(text.replace(" ", "").replace(mark, "."))
    except ValueError:
        return math.nan


def _noted(case: Case) -> set[bytes]:
    """Return the lines behind which the capture has a note of the display."""
    examples = case.transcript().examples
    return {examples[at - 1].frame for at, _ in case.transcript().shown if at}


def _sign_behind(case: Case, driver: Driver, good: Sequence[Example], mark: str) -> None:
    """Raise where some numbers have a '-' behind them, others have none, and a value is the same with and without it.

    A note of the display behind such a line proves that the '-' belongs to no number.
    """
    noted = _noted(case)
    signs: dict[int, set[str]] = {}
    without_effect: dict[int, tuple[str, Example]] = {}
    proven: set[int] = set()
    for e in good:
        line = e.frame[: len(e.frame) - case.tail].decode("latin-1")
        for at, (start, text) in enumerate(numbers_of(line, mark)):
            found = None if text[0] in "+-" else _SIGN_BEHIND.match(line, start + len(text))
            signs.setdefault(at, set()).add(found[1] if found else "")
            if found is None or found[1] != "-":
                continue
            if e.frame in noted:
                proven.add(at)
            if at in without_effect or at in proven:
                continue
            own, gap = line[start : found.end()], line[start : found.start(1)]
            others = [changed_meaning(case, driver, e, start, own, gap + other) for other in ("+", "", " ")]
            others.append(changed_meaning(case, driver, e, start, own, gap.rstrip()))
            if e.meaning in others and _effect(case, driver, e, start, text, len(text) - 1, mark, on_values=True):
                without_effect[at] = own, e
    for at, (own, e) in without_effect.items():
        if len(signs[at]) > 1 and at not in proven:
            raise DriverFaultError(
                f"the '-' behind the number in {own!r} has no effect on the reading",
                f"{shown(e.frame)}: {shown(e.meaning)}",
                do="give the lines with a sign behind the number a kind of their own, with scale = -1.0; where it is "
                "no sign, note the text of the display behind such a line in the capture, as in `= 12.5 g`",
            )


def _fixed_minus(case: Case, driver: Driver, good: Sequence[Example], mark: str) -> None:
    """Raise where a '-' before a number is a fixed text, so that a negative number is read as a positive value.

    A note of the display behind such a line proves that the '-' belongs to no number.
    """
    noted = _noted(case)
    proven: set[int] = set()
    for e in sorted(good, key=lambda one: one.frame not in noted)[:MOST_LINES]:
        line = e.frame[: len(e.frame) - case.tail].decode("latin-1")
        for at, (start, text) in enumerate(numbers_of(line, mark)):
            # A '-' behind a letter or digit may part two names.
            if text[0] != "-" or (start and not line[start - 1].isspace()):
                continue
            if e.frame in noted:
                proven.add(at)
            if at in proven:
                continue
            signs = [changed_meaning(case, driver, e, start, text, sign + text[1:]) for sign in ("+", " ", "")]
            digit = "5" if text[-1] == "4" else "4"
            other = values_of(changed_meaning(case, driver, e, start, text, text[:-1] + digit))
            read = [c for c, v in values_of(e.meaning).items() if v is not None and v > 0 and other.get(c, v) != v]
            if read and all(isinstance(one, Reject) for one in signs):
                raise DriverFaultError(
                    f"the number {text} is read as a positive {driver.channels[read[0]].name}",
                    f"{shown(e.frame)}: {shown(e.meaning)}",
                    do="read the number with its sign as one field; where the '-' is no sign, or the channel has the "
                    "other direction, note the text of the display behind such a line in the capture, as in `= 12.5 g`",
                )


def _in_thousands(case: Case, driver: Driver, good: Sequence[Example], mark: str) -> None:
    """Raise where a mark may be one between thousands: `999` and `1.204` in one place, and no other form of number.

    A note of the display proves the decimal mark.
    """
    seen: dict[int, tuple[list[str], list[str]]] = {}
    for e in good:
        for _, text in numbers_of(e.frame[: len(e.frame) - case.tail].decode("latin-1"), mark):
            for channel, value in values_of(e.meaning).items():
                if value and math.isclose(abs(value), abs(_value(text, mark)), rel_tol=1e-9):
                    plain, marked = seen.setdefault(channel, ([], []))
                    (marked if mark in text else plain).append(text)
                    break
    for channel, (plain, marked) in seen.items():
        if plain and marked and all(may_be_thousands(text.replace(" ", "")) for text in marked):
            raise DriverFaultError(
                f"the mark in {marked[0]!r} may be one between thousands, because {plain[0]!r} has none: "
                f"{driver.channels[channel].name} is {marked[0]}0 or {marked[0].replace(mark, '')}",
                do="note the text of the display behind such a line in the capture, as in `= 1.2040 g`; numbers with "
                "marks between thousands have no description: switch them off at the instrument",
            )


def _smallest(case: Case, driver: Driver, good: Sequence[Example], mark: str) -> None:
    """Raise where two numbers near zero, which differ in their last digit only, are read as the same value."""
    for e in good[:MOST_LINES]:
        for start, text in numbers_of(e.frame[: len(e.frame) - case.tail].decode("latin-1"), mark):
            if mark not in text or not text[-1].isdigit() or "e" in text.lower():
                continue
            zeros = re.sub("[0-9]", "0", text[:-1])
            near = [changed_meaning(case, driver, e, start, text, zeros + digit) for digit in "123"]
            values = [values_of(one) for one in near if is_reading(one) and not getattr(one, "faults", ())]
            changes = values_of(e.meaning) != values_of(changed_meaning(case, driver, e, start, text, zeros + "1"))
            if len(values) == len(near) and changes and values[0] == values[1] == values[2]:
                raise DriverFaultError(
                    f"numbers near zero, such as {zeros}1 and {zeros}3, are read as the same value",
                    f"{shown(e.frame)}: {shown(e.meaning)}",
                    do="read every number as it is in the line; what counts as zero belongs to the method",
                )


def _joined(case: Case, driver: Driver, good: Sequence[Example], mark: str) -> None:
    """Raise where a number that is not read changes beside one that is, and both are one value: `1:02.5`, `1.2 x100`.

    A note of the display proves that it belongs to no value.
    """
    seen: dict[tuple[int, str], dict[str, Example]] = {}
    apart: set[tuple[int, str]] = set()
    padded: set[tuple[int, str]] = set()
    pairs: dict[tuple[int, str], tuple[set[str], set[str]]] = {}
    # A time that changes once in a minute is in the lines of a long capture, each of which costs many more.
    for e in good[:: 1 + len(good) // MOST_JOINED]:
        text = e.frame[: len(e.frame) - case.tail].decode("latin-1")
        parts = [m for m in _PLAIN.finditer(text) if text[m.start() : m.end() + 1] != "10^"]
        for at, (one, other) in enumerate(pairwise(parts)):
            glue = text[one.end() : other.start()]
            place = (at, glue.strip())
            if place in apart or not _GLUE.fullmatch(glue):
                continue
            if glue.strip() in SIXTIETHS and not _are_sixtieths(text, one, other):
                apart.add(place)
                continue
            if not glue.strip() and not _THOUSANDS.fullmatch(one[0] + glue + other[0]):
                apart.add(place)
                continue
            padded |= {place} if other[0][0] == "0" else set()
            before, behind = pairs.setdefault(place, (set(), set()))
            before.add(one[0])
            behind.add(other[0])
            read = [_is_read(case, driver, e, m, mark) for m in (one, other)]
            # A number that no other one can replace, such as that of a channel, is read for what it is.
            if None not in read and read[0] != read[1]:
                seen.setdefault(place, {}).setdefault((other if read[0] else one)[0], e)
    for (at, glue), unread in seen.items():
        # Three digits in every line are behind thousands: one with a zero first (`1 034.5`), or several numbers.
        before, behind = pairs[at, glue]
        in_thousands = (at, glue) in padded or (len(before) > 1 and len(behind) >= LEAST_BEHIND)
        if (at, glue) not in apart and len(unread) > 1 and (glue or in_thousands):
            number, e = list(unread.items())[1]
            raise DriverFaultError(
                f"the number {number} beside {glue or ' '!r} changes, and has no effect on the reading",
                f"{shown(e.frame)}: {shown(e.meaning)}",
                do="minutes and seconds, thousands and the rest, a number and its factor are one value: "
                "write a driver in Python; "
                "where it is a counter, note the text of the display in the capture, as in `= 12.5 s`",
            )


def _is_read(case: Case, driver: Driver, e: Example, number: re.Match[str], mark: str) -> bool | None:
    """Return whether a digit of a number has an effect on the reading; None where no other digit is accepted."""
    digits = [i for i, c in enumerate(number[0]) if c.isdigit()]
    effects = {_effect(case, driver, e, number.start(), number[0], i, mark) for i in digits}
    return True if True in effects else False if False in effects else None


def _are_sixtieths(text: str, one: re.Match[str], other: re.Match[str]) -> bool:
    """Return True where two numbers may be minutes and seconds, or another whole number and its sixtieths."""
    behind = _UNIT.match(text, other.end())
    code = unit_word(behind[1])[0] if behind is not None else ""
    of_time = not code or code == "m" or UNITS[code].dimension == "time"
    return one[0].isdigit() and float(other[0].replace(",", ".")) < 60 and of_time
