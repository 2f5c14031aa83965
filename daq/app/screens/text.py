"""Numbers, times and foreign text as a person reads them."""

import itertools
import math
import time
import unicodedata
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final, Protocol

from daq.core.units import symbol
from daq.quality.digits import NOTHING, is_interval, not_finer, number, supported, to_place, uncertain, within

_INVISIBLE: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories that move the cursor, reorder text or show nothing."""
COMBINING: Final = frozenset({"Mn", "Me"})
"""Unicode categories of marks that are drawn over the character before them."""
BREAKS: Final = "-/_.,;:"
"""A word that is longer than a row is broken after one of these."""


def plain(text: object) -> str:
    """Return text from outside made harmless for a terminal: an invisible character is written as an escape."""
    shown = str(text)
    if shown.isprintable():
        return shown
    return "".join(_escaped(c) if unicodedata.category(c) in _INVISIBLE else c for c in shown)


def is_invisible(character: str) -> bool:
    """Return True for a character that moves the cursor, reorders text or shows nothing."""
    return character not in "\n\r\t" and unicodedata.category(character) in _INVISIBLE


def _escaped(c: str) -> str:
    return c.encode("unicode_escape").decode("ascii") if ord(c) > 0x7F or c in "\n\r\t" else f"\\x{ord(c):02x}"


def fixed(value: float | None, decimals: int) -> str:
    """Return a number with `decimals` digits behind the point."""
    return NOTHING if value is None or not math.isfinite(value) else f"{value + 0.0:.{decimals}f}"


def chance(probability: float) -> str:
    """Return a probability (0 to 1) in per cent, in two significant digits."""
    percent = 100.0 * probability
    if percent < 0.01:
        return "below 0.01 %"
    if percent > 99.99:
        return "above 99.99 %"
    return f"{percent:.2f} %" if percent >= 99.0 else f"{number(percent, 2)} %"


def with_unit(value: float | None, code: str, digits: int = 4) -> str:
    """Return a number with the symbol of its unit; `code` is the UCUM code."""
    return f"{number(value, digits)} {symbol(code)}".rstrip()


def spaced(word: object) -> str:
    """Return a word of the data as a screen shows it: ``not_valid`` becomes ``not valid``."""
    return plain(word).replace("_", " ")


class HasText(Protocol):
    """A statement: a code with parameters beside its English sentence."""

    @property
    def text(self) -> str:
        """The English sentence."""


def sentence(of: str | Mapping[str, Any] | HasText | Sequence[str | Mapping[str, Any] | HasText]) -> str:
    """Return the sentence of a reason, caution or advice, harmless for a terminal.

    Args:
        of: a statement, its JSON object, a sequence of them (joined by semicolons), or a text.
    """
    if isinstance(of, str):
        return plain(of)
    if isinstance(of, Mapping):
        return plain(of["text"])
    if isinstance(of, Sequence):
        return "; ".join(sentence(one) for one in of)
    return plain(of.text)


def called(quantity: str) -> str:
    """Return a quantity or signal as a person names it."""
    return "pH" if quantity == "ph" else spaced(quantity)


def after(code: str) -> str:
    """Return the symbol of a unit behind the number of a named quantity: none behind a pH."""
    return "" if code == "[pH]" else symbol(code)


def ended(outcome: str, reason: str) -> str:
    """Return how a run that is not complete ended: who stopped it, or what went wrong."""
    # The reason of a stop is a whole sentence, which says that the run was stopped.
    return sentence(reason) if outcome == "stopped" and reason else f"the run was {outcome}: {sentence(reason)}"


def span(seconds: float) -> str:
    """Return a length of time: ``8.5 s``, ``45 s``, ``2 min 05 s``, ``1 h 03 min``."""
    if seconds < 10 and seconds != int(seconds):
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def local_time(utc_ns: int | None) -> str:
    """Return a moment (UTC, ns) in this machine's local time, to the second."""
    if utc_ns is None:
        return NOTHING
    return time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(utc_ns // 1_000_000_000))


def offset_time(utc_ns: int) -> str:
    """Return a moment (UTC, ns) in this machine's local time with its offset, to the minute."""
    return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).astimezone().isoformat(sep=" ", timespec="minutes")


def utc_iso(utc_ns: int | None) -> str | None:
    """Return a moment (UTC, ns) as ISO 8601 with milliseconds, for machines."""
    if utc_ns is None:
        return None
    seconds, rest = divmod(utc_ns, 1_000_000_000)
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S") + f".{rest // 1_000_000:03d}Z"


def width(text: str) -> int:
    """Return the columns that a text takes on a terminal: two for a wide character, none for one that combines."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.category(c) in COMBINING else 2 if unicodedata.east_asian_width(c) in ("W", "F") else 1
        for c in text
    )


def fold(text: str, columns: int) -> list[str]:
    """Return `text` in rows of at most `columns` columns (at least 2), at least one row, and nothing left out.

    Rows end at spaces.  A word that is too long for a row is broken after a hyphen, slash, underscore or point where it
    has one, otherwise anywhere.
    """
    columns = max(columns, 2)
    rows = [""]
    for word in text.split(" "):
        longer = f"{rows[-1]} {word}" if rows[-1] else word
        if width(longer) <= columns:
            rows[-1] = longer
            continue
        if rows[-1]:
            rows.append("")
        pieces = _broken(word, columns)
        rows[-1] = pieces[0]
        rows += pieces[1:]
    return rows


def _broken(word: str, columns: int) -> list[str]:
    """Return a word in pieces of at most `columns` columns."""
    pieces: list[str] = []
    while width(word) > columns:
        end = 0
        while width(word[: end + 1]) <= columns:
            end += 1
        good = max((i for i in _breaks(word) if i <= end), default=0)
        end = good if good > end // 3 else max(end, 1)
        pieces.append(word[:end])
        word = word[end:]
    return [*pieces, word] if word or not pieces else pieces


def _breaks(word: str) -> list[int]:
    """Return the places behind a mark where a word may be broken: not between two digits, as in a date or a number."""
    marks = [i for i in range(1, len(word) - 1) if word[i] in BREAKS]
    return [i + 1 for i in marks if not (word[i - 1].isdecimal() and word[i + 1].isdecimal())]


def longest_word(text: str, *, broken: bool = False) -> int:
    """Return the columns of the longest word of a text; `broken`: of the longest part between places to break it."""
    words = text.split(" ")
    if not broken:
        return max(width(word) for word in words)
    ends = [(word, [0, *_breaks(word), len(word)]) for word in words]
    return max(width(word[a:b]) for word, places in ends for a, b in itertools.pairwise(places))


def shortened(text: str, columns: int) -> str:
    """Return text of at most `columns` columns; a cut is marked with an ellipsis."""
    if width(text) <= columns:
        return text
    while text and width(text) > columns - 1:
        text = text[:-1]
    return text + "…"


def expanded_of(data: dict[str, Any]) -> float | None:
    """Return the expanded uncertainty of a result (`ResultData` as a dict); None where it has no interval."""
    expanded: float | None = (data.get("uncertainty") or {}).get("expanded")
    return expanded


def digits_of(data: dict[str, Any], most: int = 4) -> int:
    """Return how many significant digits the result supports, for other values of the same run; at most `most`."""
    value = data.get("value")
    if value is None or data["quantity"] == "time":  # the other values of the run are of another quantity
        return most
    return supported(value, expanded_of(data), most)


def shown_value(data: dict[str, Any]) -> str:
    """Return the number of a result (`ResultData` as a dict): as its product reports it, otherwise in four digits.

    It has no digit beyond its expanded uncertainty (JCGM 100, 7.2.6); without one it ends at the resolution of the
    instrument, where this is stated.
    """
    value, expanded = data.get("value"), expanded_of(data)
    if data.get("reported") and value is not None:
        return not_finer(str(data["reported"]), value, expanded)
    step = None if value is None or is_interval(expanded) else _step_of(data)
    return within(value, expanded) if step is None else to_place(value, -math.floor(math.log10(step) + 1e-9))


def _step_of(data: dict[str, Any]) -> float | None:
    """Return the step of the instrument's resolution of a directly measured result, in its unit; None if not stated.

    The budget has it as a rectangle of half a step: u = step / (2 sqrt 3) (JCGM 100, F.2.2.1).
    """
    for line in (data.get("uncertainty") or {}).get("components", ()):
        if line.get("code") == "component_resolution" and line["sensitivity"] == 1.0 and line["contribution"]:
            return 2.0 * math.sqrt(3.0) * abs(float(line["contribution"]))
    return None


def value_line(data: dict[str, Any]) -> str:
    """Return the value of a result (`ResultData` as a dict) with unit and expanded uncertainty."""
    if data.get("value") is None:
        return "no value"
    unit = symbol(data["unit"])
    shown = f"{shown_value(data)} {unit}".rstrip()
    expanded = expanded_of(data)
    if not is_interval(expanded):
        return shown
    half = f"{uncertain(expanded)} {unit}".rstrip()
    uncertainty = data["uncertainty"]
    how = "95 %, JCGM 101" if uncertainty.get("trials") else f"k = {uncertainty['k']:.2f}"
    return f"{shown} ± {half} ({how})"
