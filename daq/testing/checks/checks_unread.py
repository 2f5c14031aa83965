"""Checks that nothing that belongs to a reading is left unread: states, and marks of a fault."""

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from daq.testing.case import Case, ignored, is_mostly_text, note, passed
from daq.testing.checks.checks_alike import read_alike
from daq.testing.checks.checks_numbers import changed_meaning, faultless, mark_of, numbers_of
from daq.testing.report import DriverFaultError, Finding, shown
from daq.testing.talk import is_reading

MOST_TEXTS: Final = 8
"""Greatest number of texts of one place that a finding shows."""
STATES: Final = frozenset({"optional text", "hex", "letters", "capitals"})
TEXTS: Final = frozenset({"word", "text", "rest"})
"""Types of parts without a name in which a state may be."""
ADDRESSES: Final = frozenset({"whole", "digits", "number", "hex", "word", "text"})
"""Types of parts without a name in which the address of an instrument may be."""
LEAST_CHECKSUMS: Final = 6
"""Least number of different texts in a place that may be those of a checksum."""
_HEX: Final = re.compile(r"[0-9A-Fa-f]{2,8}")
_COUNTED: Final = re.compile(r"[0-9][0-9.,:/ TZ+-]*")
"""A counter, a time of day or a date: a text that may change from line to line and means no state."""
_MARKS: Final = re.compile(r"[+-]?(?:9{2,}\.?9{2,}|9\.9\d*E\+?37|32767|32768|65535|2147483647|2147483648|4294967295)")
"""Numbers that instruments send in place of a value: nines only, the ends of 16 and 32 bits (common practice, no
source), and 9.9E37 and 9.91E37 of SCPI 1999, 7.2.1.4 and 7.2.1.5 (from memory)."""


def unread(case: Case) -> Finding:
    """Check that a description leaves no text unread that changes between readings without fault.

    A text that may be a state fails.  A note names counters, times, bytes and lines that are ignored, texts that may be
    a state of which the capture has one only, and numbers that instruments send in place of a value.
    """
    parts: Callable[[bytes], Iterable[tuple[str, str, str]]] | None = getattr(case.driver, "unread", None)
    places: dict[str, dict[str, str]] = {}
    for e in faultless(case):
        for place, kind, text in parts(e.frame) if parts is not None else ():
            places.setdefault(place, {})[text] = kind
    named: list[str] = []
    alone: list[str] = []
    lines = len(faultless(case))
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
        alone += [f"{place}: {listed}"] if len(texts) == 1 and is_state else []
    if parts is None:
        named += [f"read alike: {texts}" for texts in read_alike(case)]
    skipped = list(dict.fromkeys(shown(e.frame) for e in case.transcript().examples if ignored(e)))
    named += [f"lines that are ignored: {', '.join(skipped[:MOST_TEXTS])}"] if skipped else []
    sentences = [f"not read, which must be no states or faults: {'; '.join(named)}"] if named else []
    if alone:
        sentences.append(f"not read, any other text would be accepted, such as that of a fault: {'; '.join(alone)}")
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
    asked = [e.asked for e in faultless(case)]
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
    good = [e for e in faultless(case) if is_mostly_text(e.frame[: len(e.frame) - case.tail])]
    mark = mark_of(driver, good)
    for e in good:
        for start, text in numbers_of(e.frame[: len(e.frame) - case.tail].decode("latin-1"), mark):
            if _MARKS.fullmatch(text.replace(" ", "").replace(mark, ".").upper()):
                other = text[:-1] + ("4" if text[-1] == "5" else "5")
                meaning = changed_meaning(case, driver, e, start, text, other)
                if is_reading(meaning) and meaning != e.meaning:
                    found[text] = None
    return [*found]
