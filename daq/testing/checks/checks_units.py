"""Check of the units in the lines: the conversion is measured, and other units are refused."""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from daq.core.driver import Driver
from daq.core.units import UNITS, convert
from daq.descriptions.guessing.decimals import decimal_mark
from daq.descriptions.guessing.fields import tokens_of
from daq.descriptions.unitwords import SPELLED, unit_word
from daq.testing.case import DIGITS, Case, decode, ignored, is_mostly_text, note, passed
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import Example, is_reading, values_of

MOST_LINES: Final = 60
"""Greatest number of lines of different shape in which units are looked for."""
MOST_OTHERS: Final = 6
"""Greatest number of other units with which a line is tried."""
UNKNOWN: Final = "zzzzzzzzzzzz"
"""Word that is no unit."""
FOREIGN: Final = {
    "mass": ("lb", "oz", "ct"), "pressure": ("psi", "mmHg", "inH2O"), "temperature": ("F", "R"),
    "length": ("in", "ft"), "viscosity": ("cP", "P"), "volume": ("gal",),
}  # fmt: skip
"""Units that instruments write and that have no code here, by dimension (common practice, no source)."""
OFFSET_K: Final = 20.0
"""Difference from the zero of a scale of temperature, K, beyond which an offset is no correction of a sensor."""
_CHECKSUM: Final = re.compile(r"[^\w.,\s-][0-9A-Fa-f]{2,8}\Z|\x03.{1,8}\Z", re.DOTALL)
"""A checksum in digits, or in bytes behind ETX: one of them may be a comma."""


@dataclass(frozen=True, slots=True)
class _Place:
    """A number in a line that gives the value of a channel, and the word that may be its unit.

    Attributes:
        structure: kinds of the tokens of the line and index of the number's token.
        channel: index of the channel.
        slope: change of the channel's value for a change of the number by 1.
        addend: value of the channel for the number 0.
        word, at: the word and its place in the frame.
        good: True where the reading has no fault.
        ahead: True where the word is before the number, as its unit or its name may be.
    """

    example: Example
    structure: tuple[object, ...]
    channel: int
    number: float
    slope: float
    addend: float
    word: str
    at: int
    good: bool
    ahead: bool = False

    @property
    def dimension(self) -> str:
        """Dimension of the word as a unit, "" where it is none."""
        code = unit_word(self.word)[0]
        return UNITS[code].dimension if code else ""

    @property
    def may_be_a_name(self) -> bool:
        """True for a single capital letter before the number, as in ``V 6.27``: the name of a quantity or its unit.

        C, F and K name no temperature.
        """
        letter = len(self.word) == 1 and self.word.isascii() and self.word.isupper()
        return self.ahead and letter and self.dimension != "temperature"


def units_in_lines(case: Case) -> Finding:
    """Check that a number is converted from the unit that is beside it in the line, and from no other one.

    The conversion is measured: one digit of the number is changed, and the change of the value is compared.  Then the
    unit is replaced: a line with a unit that is not in the transcript must not be read like the one with this unit.
    """
    driver = case.make()
    found = [place for e in _examples(case) for place in _places(case, driver, e)]
    names = _names(driver, found)
    found = [place for place in found if (place.channel, place.word) not in names]
    converted = [place for place in found if _converted(case, driver, place, found)]
    _distinguished(driver, found)
    _alike_everywhere(driver, found)
    for place in converted:
        _refuses_others(case, driver, place)
    if names:
        shown_names = ", ".join(
            f"{word} before {driver.channels[channel].name}, which is read in {driver.channels[channel].unit}"
            for channel, word in sorted(names)
        )
        return note("units", f"a letter that may be a unit is taken for a name: {shown_names}")
    if not converted:
        raise NotApplicableError("no line of the transcript has a unit")
    words = ", ".join(dict.fromkeys(place.word for place in found if place.dimension))
    return passed("units", f"values are in the units of the lines ({words})")


def _names(driver: Driver, found: Sequence[_Place]) -> set[tuple[int, str]]:
    """Return index of the channel and letter before its number where each number is read in another unit than this one.

    The letter is the only one in its place; a letter that changes with the line is no name.
    """
    names: set[tuple[int, str]] = set()
    for place in found:
        words = {other.word for other in found if (other.structure, other.channel) == (place.structure, place.channel)}
        if place.may_be_a_name and words == {place.word} and place.dimension:
            unit = driver.channels[place.channel].unit
            if place.dimension == UNITS[unit].dimension and not _is_right(place, unit):
                names.add((place.channel, place.word))
    return names


def _is_right(place: _Place, unit: str) -> bool:
    """Return True where the value is the number of the line, converted from the unit of the word to `unit`."""
    code, factor = unit_word(place.word)
    zero = convert(0.0, code, unit)
    slope = (convert(1.0, code, unit) - zero) * factor
    moved = abs(place.addend - zero) * UNITS[unit].factor
    right = math.isclose(abs(place.slope), abs(slope), rel_tol=1e-5)
    return right and (UNITS[code].dimension != "temperature" or moved <= OFFSET_K)


def _alike_everywhere(driver: Driver, found: Sequence[_Place]) -> None:
    """Raise where a number with one unit is read with another addend in one line than in another."""
    single = [p for p in found if p.good and sum(q.example is p.example and q.channel == p.channel for q in found) == 1]
    for place in single:
        first = next(p for p in single if (p.channel, p.word) == (place.channel, place.word))
        slack = 1e-6 * max(abs(place.slope * place.number), abs(first.slope * first.number), abs(place.slope))
        if math.isclose(place.slope, first.slope, rel_tol=1e-5) and abs(place.addend - first.addend) > slack:
            name = driver.channels[place.channel].name
            raise DriverFaultError(
                f"{name} is the number of its line plus {first.addend:g} in one line, plus {place.addend:g} in another",
                shown(first.example.frame),
                shown(place.example.frame),
                do="read all numbers of a channel alike; a line with another meaning needs a pattern of its own",
            )


def _examples(case: Case) -> list[Example]:
    found: dict[bytes, Example] = {}
    for e in case.transcript().examples:
        if is_reading(e.meaning) and not ignored(e):
            found[e.frame.translate(DIGITS)] = e
    return list(found.values())[:MOST_LINES]


def _places(case: Case, driver: Driver, e: Example) -> Iterator[_Place]:
    if not is_mostly_text(e.frame):
        return
    text = e.frame[: len(e.frame) - case.tail].decode("latin-1")
    if driver.has_checksum and not case.tail:
        text = _CHECKSUM.sub("", text)
    mark = decimal_mark([text])
    tokens = tokens_of(text, mark)
    starts = [0]
    for token in tokens:
        starts.append(starts[-1] + len(token.text))
    kinds = tuple(token.kind if token.kind != "other" else token.text for token in tokens if token.kind != "space")
    before = values_of(driver.decode(e.frame, e.asked))
    for i, token in enumerate(tokens):
        if token.kind != "number":
            continue
        end = re.search(r"[eE]", token.text)
        at = starts[i] + (end.start() if end else len(token.text)) - 1
        other = e.frame[:at] + (b"4" if text[at] == "5" else b"5") + e.frame[at + 1 :]
        after = values_of(decode(driver, case.sealed(other), e.asked))
        number, moved = (_number(t, mark) for t in (token.text, other[starts[i] : starts[i + 1]].decode("latin-1")))
        for channel in before.keys() & after.keys():
            change = after[channel] - before[channel]
            if not change or moved == number:
                continue
            slope = change / (moved - number)
            word, where = _unit_beside(tokens, starts, i, driver.channels[channel].unit)
            if word:
                yield _Place(
                    e, (*kinds, i), channel, number, slope, before[channel] - slope * number, word, where,
                    good=type(e.meaning) is tuple or not getattr(e.meaning, "faults", ()), ahead=where < starts[i],
                )  # fmt: skip


def _number(text: str, mark: str) -> float:
    return float(text.replace(" ", "").replace(mark, "."))


def _unit_beside(tokens: Sequence[object], starts: Sequence[int], at: int, own: str) -> tuple[str, int]:
    """Return the word that may be the unit of the number `at`, and its place; "" where there is none.

    A unit of the channel's dimension between this number and the next one is taken first, then one between it and the
    number before; otherwise the word directly behind the number.
    """
    kinds = [getattr(t, "kind") for t in tokens]  # noqa: B009 - tokens of `guessing`
    texts = [str(getattr(t, "text")) for t in tokens]  # noqa: B009
    numbers = [i for i, kind in enumerate(kinds) if kind == "number"]
    after = next((i for i in numbers if i > at), len(tokens))
    before = max((i for i in numbers if i < at), default=-1)
    # A word directly behind another one is a part of it, as in the serial number C66F.
    words = [i for i, kind in enumerate(kinds) if kind == "word" and (i == 0 or kinds[i - 1] != "word")]
    behind = [i for i in words if at < i < after and texts[i + 1 : i + 2] not in (["="], [":"])]
    ahead = [i for i in reversed(words) if before < i < at and texts[i + 1] not in "=:"]
    # In a block of lines, the unit of the number before ends its line: `1.65 g/mL`, then `W 0.85 lb`.
    if before >= 0:
        broken = max((i for i in range(before, at) if texts[i] in "\r\n"), default=-1)
        own_line = [i for i in range(before, broken) if texts[i] in "\r\n"]
        ahead = [i for i in ahead if i > broken or (own_line and i > own_line[0])]
    for i in (*behind, *ahead):
        code = unit_word(texts[i])[0]
        if code and UNITS[code].dimension == UNITS[own].dimension:
            return texts[i], starts[i]
    direct = next((i for i in behind if all(kinds[j] == "space" for j in range(at + 1, i))), None)
    return ("", 0) if direct is None else (texts[direct], starts[direct])


def _converted(case: Case, driver: Driver, place: _Place, others: Sequence[_Place]) -> bool:
    """Check the conversion of one number; return False where its word is no unit of the channel's dimension."""
    channel = driver.channels[place.channel]
    code = unit_word(place.word)[0]
    if not code or place.dimension != UNITS[channel.unit].dimension:
        return False
    if _is_right(place, channel.unit):
        return True
    if not place.good and _gives_the_fault(case, driver, place, others):
        return False
    value = place.slope * place.number + place.addend
    raise DriverFaultError(
        f"the line has {place.number:g} {place.word}, and {channel.name} is read as {value:g} {channel.unit}",
        shown(place.example.frame),
        do="convert the unit in the line: in a description `units` and `unit_of` of a field, or `unit` of the number",
    )


def _refuses_others(case: Case, driver: Driver, place: _Place) -> None:
    """Check that a line with another unit, or with an unknown word in its place, is not read in this unit."""
    if not place.good:
        return
    frame, end = place.example.frame, place.at + len(place.word)
    value, name = values_of(place.example.meaning)[place.channel], driver.channels[place.channel].name
    for other in _other_words(place.word):
        changed = case.sealed(frame[: place.at] + other.encode() + frame[end:])
        meaning = decode(driver, changed, place.example.asked)
        if getattr(meaning, "faults", ()) or not is_reading(meaning):
            continue
        if value and math.isclose(values_of(meaning).get(place.channel, math.inf), value, rel_tol=1e-9):
            raise DriverFaultError(
                f"a line with {other} in the place of {place.word} is read as if {name} were in {place.word}",
                shown(changed),
                do="read the units that are known, and refuse a line with another: in a description the unit as a text "
                "of the pattern, or `units` and `unit_of` of a field",
            )


def _other_words(word: str) -> list[str]:
    """Return other units of the dimension of a unit and an unknown word, those of its length first."""
    dimension = UNITS[unit_word(word)[0]].dimension
    words = (other for other in (*UNITS, *SPELLED) if other.isascii() and other.isalpha())
    foreign = [other for other in FOREIGN.get(dimension, ()) if not unit_word(other)[0]]
    found = [o for o in words if UNITS[unit_word(o)[0]].dimension == dimension and _size(o) != _size(word)]
    return [UNKNOWN[: len(word)], *foreign, *sorted(found, key=lambda other: abs(len(other) - len(word)))[:MOST_OTHERS]]


def _gives_the_fault(case: Case, driver: Driver, place: _Place, others: Sequence[_Place]) -> bool:
    """Return True where the reading's faults change with the word: it is a state, not a unit."""
    faults = getattr(place.example.meaning, "faults", ())
    frame, size = place.example.frame, len(place.word)
    for other in others:
        if other.channel == place.channel and other.word != place.word:
            changed = frame[: place.at] + other.word.encode("latin-1") + frame[place.at + size :]
            meaning = decode(driver, case.sealed(changed), place.example.asked)
            if is_reading(meaning) and getattr(meaning, "faults", ()) != faults:
                return True
    return False


def _size(word: str) -> tuple[float, float]:
    """Return factor and offset of a unit to the SI unit of its dimension; (0, 0) for an unknown one."""
    code, factor = unit_word(word)
    return (float(f"{factor * UNITS[code].factor:.12g}"), UNITS[code].offset) if code else (0.0, 0.0)


def _distinguished(driver: Driver, found: Sequence[_Place]) -> None:
    """Raise where two words in one place, one of them a unit of the channel, are read alike and without a fault."""
    groups: dict[tuple[object, ...], list[_Place]] = {}
    for place in found:
        if place.good:
            groups.setdefault((place.structure, place.channel), []).append(place)
    for places in groups.values():
        channel = driver.channels[places[0].channel]
        for one in places:
            for other in places:
                alike = math.isclose(one.slope, other.slope, rel_tol=1e-5) and math.isclose(
                    one.addend, other.addend, rel_tol=1e-5, abs_tol=1e-5 * abs(one.slope)
                )
                same_unit = bool(one.dimension) and _size(one.word) == _size(other.word)
                if one.word == other.word or same_unit or not alike or not one.dimension:
                    continue
                own = one.dimension == UNITS[channel.unit].dimension
                if own or (other.dimension and other.dimension != one.dimension and channel.unit == "1"):
                    raise DriverFaultError(
                        f"{one.word!r} and {other.word!r} are beside {channel.name}, and both are read alike",
                        shown(one.example.frame),
                        shown(other.example.frame),
                        do="give the unit of each (`units`, `unit_of`), the fault that a word means, or two lines",
                    )
