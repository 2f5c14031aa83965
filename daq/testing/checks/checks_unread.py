"""Checks that nothing that belongs to a reading is left unread: parts of its numbers, states, and marks of a fault."""

import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise
from typing import Final

from daq.core.driver import Decoded, Driver, Reject
from daq.core.thousands import may_be_thousands
from daq.core.units import UNITS
from daq.descriptions.guessing.decimals import decimal_mark, is_no_separator
from daq.descriptions.guessing.fields import tokens_of
from daq.descriptions.unitwords import UNIT_WORD, unit_word
from daq.testing.case import Case, decode, ignored, is_mostly_text, note, passed
from daq.testing.checks.checks_alike import read_alike
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import Example, is_reading, values_of

MOST_LINES: Final = 24
MOST_JOINED: Final = 120
"""Greatest number of lines, spread over the capture, in which numbers side by side are changed."""
MOST_TEXTS: Final = 8
"""Greatest number of texts of one place that a finding shows."""
STATES: Final = frozenset({"optional text", "hex", "letters", "capitals"})
TEXTS: Final = frozenset({"word", "text", "rest"})
"""Types of parts without a name in which a state may be."""
ADDRESSES: Final = frozenset({"whole", "digits", "number", "hex", "word", "text"})
"""Types of parts without a name in which the address of an instrument may be."""
LEAST_BEHIND: Final = 3
"""Least number of different numbers of three digits behind a blank that are behind thousands without a zero first."""
LEAST_CHECKSUMS: Final = 6
"""Least number of different texts in a place that may be those of a checksum."""
_HEX: Final = re.compile(r"[0-9A-Fa-f]{2,8}")
_COUNTED: Final = re.compile(r"[0-9][0-9.,:/ TZ+-]*")
"""A counter, a time of day or a date: a text that may change from line to line and means no state."""
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
_MARKS: Final = re.compile(r"[+-]?(?:9{2,}\.?9{2,}|9\.9\d*E\+?37|32767|32768|65535|2147483647|2147483648|4294967295)")
"""Numbers that instruments send in place of a value: nines only, the ends of 16 and 32 bits (common practice, no
source), and 9.9E37 and 9.91E37 of SCPI 1999, 7.2.1.4 and 7.2.1.5 (from memory)."""


def _good(case: Case) -> list[Example]:
    found: dict[bytes, Example] = {}
    for e in case.transcript().readings:
        if not getattr(e.meaning, "faults", ()) and values_of(e.meaning):
            found.setdefault(e.frame, e)
    if not found:
        raise NotApplicableError("the transcript has no reading without fault")
    return list(found.values())


# ---- numbers


def whole_numbers(case: Case) -> Finding:
    """Check that all of a number is read: its sign, each of its digits, and its exponent.

    One character is changed in turn.  A digit behind another one that is read must change the value or refuse the line,
    and so must a sign.
    """
    driver = case.make()
    good = [e for e in _good(case) if is_mostly_text(e.frame[: len(e.frame) - case.tail])]
    if not good:
        raise NotApplicableError("its readings are no lines of text")
    shapes = [e for e in case.shapes() if e.frame in {one.frame for one in good}]
    mark = _mark(driver, good)
    tried = 0
    for e in list({one.frame: one for one in (*shapes, *good)}.values())[:MOST_LINES]:
        for start, text in _numbers(e.frame[: len(e.frame) - case.tail].decode("latin-1"), mark):
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
    if not case.transcript().shown and not case.expected:
        _in_thousands(case, driver, good, mark)
        _joined(case, driver, good, mark)
    return passed("whole numbers", f"{tried} numbers")


def _mark(driver: Driver, good: Sequence[Example]) -> str:
    """Return the decimal mark: that of a description, or a comma that no line can have between columns."""
    tables = getattr(driver, "tables", None)
    texts = [e.frame.decode("latin-1") for e in good]
    is_comma = decimal_mark(texts) == "," and is_no_separator(texts)
    return "," if is_comma or (tables is not None and tables.decimal == "comma") else "."


def _numbers(text: str, mark: str) -> Iterator[tuple[int, str]]:
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
        if _meaning(case, driver, e, start, text, other) == e.meaning:
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
        meaning = _meaning(case, driver, e, start, text, other)
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


def _meaning(case: Case, driver: Driver, e: Example, start: int, text: str, other: str) -> Decoded:
    frame = e.frame[:start] + other.encode("latin-1") + e.frame[start + len(text) :]
    sealed = case.sealed(frame)
    # A corrected checksum behind the number may not change the number again.
    return decode(driver, sealed, e.asked) if sealed.startswith(frame[: start + len(other)]) else Reject("no line")


def _value(text: str, mark: str) -> float:
    try:
        return float(text.replace(" ", "").replace(mark, "."))
    except ValueError:
        return math.nan


def _sign_behind(case: Case, driver: Driver, good: Sequence[Example], mark: str) -> None:
    """Raise where some numbers have a '-' behind them, others have none, and a value is the same with and without it.

    A note of the display behind such a line proves that the '-' belongs to no number.
    """
    examples = case.transcript().examples
    noted = {examples[at - 1].frame for at, _ in case.transcript().shown if at}
    signs: dict[int, set[str]] = {}
    without_effect: dict[int, tuple[str, Example]] = {}
    proven: set[int] = set()
    for e in good:
        line = e.frame[: len(e.frame) - case.tail].decode("latin-1")
        for at, (start, text) in enumerate(_numbers(line, mark)):
            found = None if text[0] in "+-" else _SIGN_BEHIND.match(line, start + len(text))
            signs.setdefault(at, set()).add(found[1] if found else "")
            if found is None or found[1] != "-":
                continue
            if e.frame in noted:
                proven.add(at)
            if at in without_effect or at in proven:
                continue
            own, gap = line[start : found.end()], line[start : found.start(1)]
            others = [_meaning(case, driver, e, start, own, gap + other) for other in ("+", "", " ")]
            others.append(_meaning(case, driver, e, start, own, gap.rstrip()))
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


def _in_thousands(case: Case, driver: Driver, good: Sequence[Example], mark: str) -> None:
    """Raise where a mark may be one between thousands: `999` and `1.204` in one place, and no other form of number.

    A note of the display proves the decimal mark.
    """
    seen: dict[int, tuple[list[str], list[str]]] = {}
    for e in good:
        for _, text in _numbers(e.frame[: len(e.frame) - case.tail].decode("latin-1"), mark):
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
        for start, text in _numbers(e.frame[: len(e.frame) - case.tail].decode("latin-1"), mark):
            if mark not in text or not text[-1].isdigit() or "e" in text.lower():
                continue
            zeros = re.sub("[0-9]", "0", text[:-1])
            near = [_meaning(case, driver, e, start, text, zeros + digit) for digit in "123"]
            values = [values_of(one) for one in near if is_reading(one) and not getattr(one, "faults", ())]
            changes = values_of(e.meaning) != values_of(_meaning(case, driver, e, start, text, zeros + "1"))
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


# ---- states, and marks of a fault


def unread(case: Case) -> Finding:
    """Check that a description leaves no text unread that changes between readings without fault.

    A text that may be a state fails.  A note names counters, times, bytes and lines that are ignored, and numbers that
    instruments send in place of a value.
    """
    parts: Callable[[bytes], Iterable[tuple[str, str, str]]] | None = getattr(case.driver, "unread", None)
    places: dict[str, dict[str, str]] = {}
    for e in _good(case):
        for place, kind, text in parts(e.frame) if parts is not None else ():
            places.setdefault(place, {})[text] = kind
    named: list[str] = []
    lines = len(_good(case))
    for place, texts in places.items():
        listed = ", ".join(map(repr, list(texts)[:MOST_TEXTS]))
        is_state = any(_may_be_a_state(kind, text.strip()) for text, kind in texts.items())
        if len(texts) > 1 and is_state and not _is_checksum([*texts], lines):
            raise DriverFaultError(
                f"readings differ in a part that is not read ({place}): {listed}",
                do="give it a name and the meaning of each text, '' for none: "
                "means = { OK = '', E = 'mass: unsteady' }; a text with another value or sign needs a line of its own",
            )
        _raise_on_address(case, place, texts)
        named += [f"{place}: {listed}"] if len(texts) > 1 else []
    if parts is None:
        named += [f"read alike: {texts}" for texts in read_alike(case)]
    skipped = list(dict.fromkeys(shown(e.frame) for e in case.transcript().examples if ignored(e)))
    named += [f"lines that are ignored: {', '.join(skipped[:MOST_TEXTS])}"] if skipped else []
    sentences = [f"not read, which must be no states or faults: {'; '.join(named)}"] if named else []
    marks = _fault_marks(case)
    if marks:
        sentences.append(f"read as values, and often sent in place of one (`special`): {', '.join(marks[:MOST_TEXTS])}")
    return note("unread", "; ".join(sentences)) if sentences else passed("unread", "nothing that changes")


def _raise_on_address(case: Case, place: str, texts: dict[str, str]) -> None:
    """Raise where all answers have digits of their requests in a part that is not read: an address, most often."""
    (text, kind), *others = texts.items()
    digits = text.strip()
    if others or kind not in ADDRESSES or not re.fullmatch("[A-Za-z]?[0-9]+", digits):
        return
    whole = re.compile(rf"(?<![0-9]){digits}(?![0-9])")
    asked = [e.asked for e in _good(case)]
    if all(one is not None and whole.search(one.data.decode("latin-1")) for one in asked):
        raise DriverFaultError(
            f"answers repeat {digits!r} of the request, and the driver accepts any other text there ({place}): "
            "the answer of another instrument on the same line would be a reading",
            do="write the text itself in the pattern, or the option `address`",
        )


def _may_be_a_state(kind: str, text: str) -> bool:
    if kind in STATES:
        return bool(text)
    return kind in TEXTS and bool(text) and _COUNTED.fullmatch(text) is None


def _is_checksum(texts: Sequence[str], lines: int) -> bool:
    """Return True for hexadecimal digits that are different in nearly every line: an unknown checksum, no state."""
    digits = len({len(text) for text in texts}) == 1 and all(_HEX.fullmatch(text) for text in texts)
    return digits and len(texts) >= LEAST_CHECKSUMS and 4 * len(texts) >= 3 * lines


def _fault_marks(case: Case) -> list[str]:
    """Return the numbers that are read as values and that instruments send in place of one: 9999, 32767, 9.9E37."""
    found: dict[str, None] = {}
    driver = case.make()
    good = [e for e in _good(case) if is_mostly_text(e.frame[: len(e.frame) - case.tail])]
    mark = _mark(driver, good)
    for e in good:
        for start, text in _numbers(e.frame[: len(e.frame) - case.tail].decode("latin-1"), mark):
            if _MARKS.fullmatch(text.replace(" ", "").replace(mark, ".").upper()):
                other = text[:-1] + ("4" if text[-1] == "5" else "5")
                meaning = _meaning(case, driver, e, start, text, other)
                if is_reading(meaning) and meaning != e.meaning:
                    found[text] = None
    return [*found]
