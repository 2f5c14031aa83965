"""Checks that every value comes from its own line: none is invented, repeated, or given by a line without a number."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Final

from daq.core.driver import Decoded, Driver, Reject
from daq.testing.case import Case, decode, is_text, passed
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import Example, is_reading, values_of

MOST_LINES: Final = 40
NO_NUMBERS: Final = (
    b"--", b"---", b"----", b"-----", b"--.--", b"_____", b"+++++", b"*****", b"?????", b"=====", b".....", b"OL",
    b"0L", b"OVER", b"UNDER", b"OFL", b"ERR", b"Err", b"E-1", b"---.-", b"HHHH", b"LLLL", b"HI", b"LO", b"OPEN",
    b"none", b"NAN", b"INF", b"     ", b"",
)  # fmt: skip
"""Texts that instruments show in place of a number (common practice, no source)."""
FOREIGN: Final = (b"?", b"O", b"l", b"_", b"*", b"\xff", b"\x00")
"""Signs and bytes in the place of a digit; a driver that leaves them out reads 13 for 1?3."""
_DIGITS: Final = re.compile(
    rb"(?<![A-Za-z0-9])[0-9A-Fa-f]*[0-9][0-9A-Fa-f]*|[0-9]+|(?<![A-Za-z0-9])[0-9A-F]{2,}(?![A-Za-z0-9])"
)
_NUMBER: Final = re.compile(rb"[+-]?[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]{1,2})?")


def from_the_line(case: Case) -> Finding:
    """Check that each value of a reading without fault depends on digits of its line, and on no other text."""
    driver = case.make()
    lines = _good(case)
    tried = 0
    places: list[dict[int, frozenset[int]]] = []
    for e in lines:
        digits = {channel: _digits_of(case, driver, e, channel) for channel in values_of(e.meaning)}
        places.append(digits)
        tried += sum(map(bool, digits.values()))
        for line in _without_number(case, driver, e):
            tried += 1
            meaning = decode(driver, line[0], e.asked)
            value = None if getattr(meaning, "faults", ()) else values_of(meaning).get(line[1])
            if value is not None:
                raise DriverFaultError(
                    f"a line with a text in place of its number is read as {driver.channels[line[1]].name} = {value:g}",
                    shown(line[0]),
                    do="give None with a fault (over_range, probe, ...), or Reject: never a number for a text",
                )
    _apart(driver, places)
    return passed("from the line", f"{tried} values and texts")


def _good(case: Case) -> list[Example]:
    found: dict[bytes, Example] = {}
    for e in case.transcript().readings:
        if not getattr(e.meaning, "faults", ()):
            found.setdefault(e.frame, e)
    if not found:
        raise NotApplicableError("the transcript has no reading without fault")
    return list(found.values())[:MOST_LINES]


def _digits_of(case: Case, driver: Driver, e: Example, channel: int) -> frozenset[int]:
    """Return the places of the digits that change the value of a channel, or its faults.

    Raises:
        DriverFaultError: the value does not depend on any digit.
    """
    accepted = False
    found: set[int] = set()
    # A number in hexadecimal may have no digit, as FFAE.
    for others in (_other_digits, _other_letters):
        for at, line in others(e.frame) if not found else ():
            meaning = decode(driver, case.sealed(line), e.asked)
            if isinstance(meaning, Reject) or not is_reading(meaning):
                continue
            if getattr(meaning, "faults", ()) or values_of(meaning).get(channel) != values_of(e.meaning)[channel]:
                found.add(at)
            accepted = True
    value, name = values_of(e.meaning)[channel], driver.channels[channel].name
    if not found and (accepted or (is_text(e.frame) and not _DIGITS.search(e.frame))):
        raise DriverFaultError(
            f"{name} = {value:g} does not come from the line: no digit of it has an effect on the value",
            shown(e.frame),
            do="give None with a fault where the line has no number; a driver repeats and invents no value",
        )
    return frozenset(found)


def _apart(driver: Driver, places: Sequence[dict[int, frozenset[int]]]) -> None:
    """Check that no two channels have their values from the same digits in every line."""
    both = [own for own in places if len(own) > 1]
    for one in range(len(driver.channels)):
        for other in range(one):
            shared = [own for own in both if own.get(one) and own.get(other)]
            if shared and all(own[one] == own[other] for own in shared):
                raise DriverFaultError(
                    f"{driver.channels[other].name} and {driver.channels[one].name} come from the same digits",
                    do="give each channel its own number; derive other quantities in the method",
                )


def _other_digits(frame: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield place and line with one digit replaced, each in turn; in a packet of bytes with one bit of each byte."""
    if not is_text(frame):
        for at, byte in enumerate(frame):
            yield at, frame[:at] + bytes([byte ^ 1]) + frame[at + 1 :]
        return
    for found in _DIGITS.finditer(frame):
        for at in range(found.start(), found.end()):
            yield at, frame[:at] + (b"4" if frame[at : at + 1] == b"5" else b"5") + frame[at + 1 :]


def _other_letters(frame: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield place and line with one hexadecimal letter replaced, where it is not among digits."""
    for at, byte in enumerate(frame if is_text(frame) else b""):
        if byte in b"ABCDEF":
            yield at, frame[:at] + (b"A" if byte == 0x42 else b"B") + frame[at + 1 :]


def _without_number(case: Case, driver: Driver, e: Example) -> Iterator[tuple[bytes, int]]:
    """Yield lines with a text in the place of a number, each with the index of the channel that the number gives."""
    values = values_of(e.meaning)
    given: dict[tuple[int, int], int] = {}
    for found in _NUMBER.finditer(e.frame) if is_text(e.frame) else ():
        at = found.end() - 1
        other = e.frame[:at] + (b"4" if e.frame[at : at + 1] == b"5" else b"5") + e.frame[at + 1 :]
        changed = values_of(decode(driver, case.sealed(other), e.asked))
        for channel, value in values.items():
            if channel in changed and changed[channel] != value:
                given[found.span()] = channel
                for text in (*NO_NUMBERS, *_garbled(found[0])):
                    if not text.strip() and any(_NUMBER.search(part) for part in _neighbours(e.frame, found)):
                        continue  # a column that is left out is another line, not a text in place of a number
                    yield case.sealed(e.frame[: found.start()] + text + e.frame[found.end() :]), channel
    for text in NO_NUMBERS if len(given) > 1 else ():
        line = e.frame
        for start, stop in sorted(given, reverse=True):
            line = line[:start] + text + line[stop:]
        yield from ((case.sealed(line), channel) for channel in set(given.values()) if text.strip())


def _garbled(number: bytes) -> Iterator[bytes]:
    """Yield a number with a sign of its display that is no digit: in place of a digit, or between two."""
    for at in range(len(number)):
        if number[at : at + 1].isdigit():
            yield from (number[:at] + sign + number[at + 1 :] for sign in FOREIGN)
            yield number[: at + 1] + b"_" + number[at + 1 :]


def _neighbours(frame: bytes, found: "re.Match[bytes]") -> tuple[bytes, bytes]:
    return frame[: found.start()], frame[found.end() :]


def repeats(case: Case) -> Finding:
    """Check that a damaged line after good ones is no reading where it is none for a new driver."""
    lines = case.transcript().readings[:MOST_LINES]
    if not lines:
        raise NotApplicableError("the transcript has no reading")
    rng = case.rng()
    tried = 0
    for e in lines[:12]:
        used = case.make()
        for good in (*lines, e):
            decode(used, good.frame, good.asked)
        whole = e.frame
        damaged = [b"", b"?", b"~~~~", whole[: len(whole) // 2], whole[1:], whole + whole, whole.replace(b".", b"?")]
        damaged += [bytes(rng.choices(range(0x21, 0x7F), k=max(1, len(whole)))) for _ in range(4)]
        for line in damaged:
            tried += 1
            first, later = decode(case.make(), line, e.asked), decode(used, line, e.asked)
            if _gives(later) and later != first and (not _gives(first) or not used.state()):
                raise DriverFaultError(
                    "a damaged line after a good one is read as a reading, and a new driver reads another one or none",
                    f"{shown(line)} after {shown(whole)}: {shown(later)}",
                    do="return Reject: the last good value is no measured one",
                )
    tried += _same_for_a_new_driver(case, lines)
    return passed("repeats", f"{tried} other lines after good ones")


def _same_for_a_new_driver(case: Case, lines: Sequence[Example]) -> int:
    """Check that lines with other digits are read as by a new driver, after a good line; return their number.

    A driver that has a state, and tells it with `state()`, may depend on the lines before.
    """
    used, tried = case.make(), 0
    for e in lines[:6]:
        for _, line in [*_other_digits(e.frame)][:12]:
            near = case.sealed(line)
            decode(used, e.frame, e.asked)
            later, first = decode(used, near, e.asked), decode(case.make(), near, e.asked)
            if used.state():
                return tried
            tried += 1
            if later != first and not (isinstance(later, Reject) and isinstance(first, Reject)):
                raise DriverFaultError(
                    "the reading of a line depends on the line before it",
                    f"{shown(near)} after {shown(e.frame)}: {shown(later)}; read by a new driver: {shown(first)}",
                    do="decode each line by itself: smoothing, holding and counting belong to the method",
                )
    return tried


def _gives(meaning: Decoded) -> bool:
    return is_reading(meaning) and bool(values_of(meaning))


def ignored_states(case: Case) -> Finding:
    """Check that a description with ``others = "ignored"`` hides no state that is in the transcript."""
    states: Callable[[bytes], Iterable[tuple[str, str]]] | None = getattr(case.driver, "ignored_states", None)
    if states is None:
        raise NotApplicableError("a driver in Python has no `others`")
    hidden: dict[str, list[str]] = {}
    for e in case.transcript().examples:
        for key, state in states(e.frame):
            seen = hidden.setdefault(key, [])
            if state not in seen:
                seen.append(state)
    if hidden:
        raise DriverFaultError(
            "; ".join(f"{key} ignores {', '.join(seen[:12])}, seen in the transcript" for key, seen in hidden.items()),
            do="give each its meaning in `means` or `bits`, '' for no fault; or others = 'instrument_error'",
        )
    return passed("ignored states", "none is in the transcript")
