"""Check of the values against the instrument's display."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from daq.core.driver import Decoded, Driver, Part, Reject, Reply, Values
from daq.core.units import UNITS, convert
from daq.descriptions.unitwords import UNIT_WORD, unit_word
from daq.testing.case import Case, note, passed
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import Example, is_reading, row_of, values_of

_NUMBER: Final = re.compile(r"(?<![\w.,'])([+-]? *\d+(?:[.,]\d+)?(?:[eE][+-]?\d{1,2})?)(?![\d.,'])[ \t]*")
_GROUPED: Final = re.compile(r"(?<![\w.,':])\d{1,3}(?:[ \u00a0\u2009\u202f]\d{3})+(?!\d)")
"""A number with blanks between its thousands: the part behind the last blank would be compared alone."""
_WORD: Final = re.compile(r"[^\s,;]*")
_UNIT: Final = re.compile(UNIT_WORD)
_OF_UNITS: Final = "/^\u207b\u00b2\u00b3\u00b7["
"""Characters of units that are not in `UNIT_WORD`: with one of them behind it, a word is a part of another unit."""
_DIGITS: Final = re.compile(r"\S*[0-9]\S*")
_WITHOUT_UNIT: Final = ("1", "[pH]")
"""Units whose numbers a display shows without a unit, as in `pH 7.02  25.0 \u00b0C`."""


# ---- the display


@dataclass(frozen=True, slots=True)
class _Noted:
    """A number of a display as it is written, with its resolution and the unit behind it, or "" for none."""

    text: str
    number: float
    step: float
    word: str


@dataclass(slots=True)
class _Compared:
    """What was compared with the notes of the display: numbers by index of their channel, and the others as texts."""

    numbers: dict[int, set[float]] = field(default_factory=dict)
    left: list[str] = field(default_factory=list)


def values_shown(case: Case) -> Finding:
    """Check that the values are those on the instrument's display, where they were recorded."""
    talk = case.transcript()
    compared = 0
    rows = [row for e in talk.readings if (row := row_of(e.meaning)) is not None]
    for i, wanted in enumerate(case.expected):
        if i >= len(rows):
            raise DriverFaultError(
                f"{len(case.expected)} readings were expected, {len(rows)} received", do="see `understands`"
            )
        for channel, value, want in zip(case.driver.channels, rows[i], wanted, strict=True):
            compared += 1
            if not _equal(value, want):
                raise DriverFaultError(
                    f"reading {i + 1}: {channel.name} is {value}, the display showed {want}",
                    shown(talk.readings[i].frame),
                    do="check scale, sign, unit and the order of the channels",
                )
    noted = _Compared()
    for before, text in talk.shown:
        compared += _compare_note(case, talk.examples[:before], text, noted)
    if not compared:
        raise NotApplicableError("no values of the display were recorded (lines with = in the capture)")
    message, why = f"{compared} values agree with the display", []
    if noted.left:
        message += f", {', '.join(dict.fromkeys(noted.left))} compared with no channel"
        why.append("a number is compared where the note has its unit, as in `= 7.02 pH  25.0 \u00b0C`")
    if only_zero := _only_zero(case, noted.numbers):
        message += f", {', '.join(only_zero)} at 0 only"
        why.append("0 is the same with every scale and sign: add the text of the display for another value")
    return note("values shown", message, *why) if why else passed("values shown", message)


def _only_zero(case: Case, numbers: Mapping[int, set[float]]) -> list[str]:
    """Return the names of the channels that were compared at 0 only, and have other values in the transcript."""
    others = {i for e in case.transcript().readings for i, value in values_of(e.meaning).items() if value}
    return [case.driver.channels[i].name for i, own in sorted(numbers.items()) if own == {0.0} and i in others]


def _compare_note(case: Case, earlier: Sequence[Example], text: str, compared: _Compared) -> int:
    """Compare one text of the display with the latest reading; return the number of compared values.

    Numbers without a unit beside those that have one are compared with the channels of `_WITHOUT_UNIT`.

    Args:
        case: the driver and its transcript.
        earlier: the lines before the note.
        text: the note.
        compared: the numbers of the note are added to it.
    """
    noted, left = _noted(text)
    if not noted:
        return _compare_missing(case, earlier, text)
    readings = [e for e in earlier if is_reading(e.meaning)] or case.transcript().readings[:1]
    if not readings:
        return 0
    values = _latest(case.driver, readings)
    without = {i: value for i, value in values.items() if case.driver.channels[i].unit in _WITHOUT_UNIT}
    with_unit = [one for one in noted if one.word]
    if not with_unit:
        pairs = [(noted[0], values)]
    elif without:
        pairs = [(one, values if one.word else without) for one in noted]
    else:
        pairs = [(one, values) for one in with_unit]
    taken = [one for one, _ in pairs]
    compared.left += [*(one.text for one in noted if one not in taken), *left]
    for one, own in pairs:
        compared.numbers.setdefault(_compare_number(case.driver, one, own, text, readings[-1]), set()).add(one.number)
    return len(pairs)


def _noted(text: str) -> tuple[list[_Noted], list[str]]:
    """Return the numbers of a display's text, and its other words with digits, such as the name of a probe.

    Every unit must be known: a number that is left out would be compared with nothing.

    Raises:
        DriverFaultError: a number whose unit is unknown, or one that cannot be understood.
    """
    text = text.replace("\u2212", "-").strip()
    found: list[_Noted] = []
    rest, at = "", 0
    while match := _NUMBER.search(text, at):
        digits, word = match[1].replace(" ", ""), _unit_at(text, match.end())
        rest, at = f"{rest}{text[at : match.start()]} ", match.end() + len(word)
        fraction = re.split("[eE]", digits)[0].replace(",", ".").partition(".")[2]
        exponent = int([*re.split("[eE]", digits), "0"][1])
        found.append(_Noted(digits, float(digits.replace(",", ".")), 10.0 ** (exponent - len(fraction)), word))
    if _GROUPED.search(text) or (not found and any(c.isdigit() for c in text)):
        raise _refused(text, "is not understood")
    unknown = next((one.word for one in found if one.word and not unit_word(one.word)[0]), "")
    if unknown:
        raise _refused(text, f"has the unknown unit {unknown!r}")
    return found, _DIGITS.findall(rest + text[at:])


def _unit_at(text: str, at: int) -> str:
    """Return the word at a place that is a unit or may be one; "" where there is none.

    Units are written as in lines, as UCUM codes (``/min``) or as on our screens (``min\u207b\u00b9``).
    """
    whole = _WORD.match(text, at)
    word = whole[0].rstrip(".)") if whole else ""
    if unit_word(word)[0]:
        return word
    own = _UNIT.match(text, at)
    behind = word[len(own[0]) if own else 0 :]
    return word if behind[:1] and behind[0] in _OF_UNITS else own[0] if own else ""


def _refused(text: str, why: str) -> DriverFaultError:
    return DriverFaultError(
        f"the note {text!r} of the display {why}, so that it cannot be compared",
        do="write the number without thousands separators and its unit, as in `= 12.30 g`; a remark begins with #",
    )


def _latest(driver: Driver, readings: Sequence[Example]) -> dict[int, float | None]:
    """Return the values of the latest reading by index of the channel; parts of it are joined."""
    values: dict[int, float | None] = {}
    for e in reversed(readings):
        meaning = e.meaning
        own = dict(meaning.values) if isinstance(meaning, Part) else dict(enumerate(row_of(meaning) or ()))
        values = own | values
        if not isinstance(meaning, Part) or len(values) == len(driver.channels):
            break
    return values


def _compare_number(driver: Driver, noted: _Noted, values: dict[int, float | None], text: str, last: Example) -> int:
    """Return the index of the channel whose value is the number of the display.

    Raises:
        DriverFaultError: there is none.
    """
    code, factor = unit_word(noted.word)
    read: dict[int, float | None] = {}
    for i, value in values.items():
        own = driver.channels[i].unit
        if not code:
            read[i] = value
        elif UNITS[own].dimension == UNITS[code].dimension:
            read[i] = None if value is None else convert(value, own, code) / factor
    if not read:
        units = ", ".join(f"{c.name} in {c.unit}" for c in driver.channels)
        raise DriverFaultError(
            f"the note {text!r} of the display is in {noted.word}, and no channel can be expressed in it ({units})",
            shown(last.frame),
            do="check the unit of the channel, or write the note in the unit of the display",
        )
    slack = 0.5 * noted.step * (1 + 1e-6) + 1e-9 * abs(noted.number)
    for i, value in read.items():
        if value is not None and abs(value - noted.number) <= slack:
            return i
    do = "check scale, sign, unit and the order of the channels"
    if not code:
        do += "; where the display has another unit than the channel, write it into the note, as in `= 1.326 kg`"
    row = tuple(values.get(i) for i in range(len(driver.channels)))
    raise DriverFaultError(f"the display showed {text!r}, the driver reads {shown(row)}", shown(last.frame), do=do)


def _compare_missing(case: Case, earlier: Sequence[Example], text: str) -> int:
    """Check that a value is missing or has a fault where the display showed no number."""
    polls = case.driver.poll()
    size = len(polls) if isinstance(polls, tuple) else 1
    latest = [e for e in earlier if not isinstance(e.meaning, Reply)][-size:]
    if not latest or any(_is_missing(e.meaning) for e in latest):
        return len(latest) and 1
    raise DriverFaultError(
        f"the display showed {text!r}, which is no number, and the driver reads {shown(row_of(latest[-1].meaning))}",
        shown(latest[-1].frame),
        do="give no value, with its fault, for this line; where the note is a remark, begin it with #",
    )


def _is_missing(meaning: Decoded) -> bool:
    if isinstance(meaning, Values):
        return bool(meaning.faults) or None in meaning.values
    if isinstance(meaning, Part):
        return bool(meaning.faults) or any(v is None for _, v in meaning.values)
    return isinstance(meaning, Reject)


def _equal(value: float | None, want: float | None) -> bool:
    if value is None or want is None:
        return value is want
    return abs(value - want) <= 1e-9 * abs(want) + 1e-12
