"""Numbers, times and foreign text as a person reads them."""

import math
import time
import unicodedata
from datetime import UTC, datetime
from typing import Any, Final

from daq.core.units import symbol

NOTHING: Final = "-"
"""Stands where there is no value."""
_INVISIBLE: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories that move the cursor, reorder text or show nothing."""


def plain(text: object) -> str:
    """Text from outside, made harmless for a terminal: what cannot be seen is written as an escape."""
    said = str(text)
    if said.isprintable():
        return said
    return "".join(_escaped(c) if unicodedata.category(c) in _INVISIBLE else c for c in said)


def _escaped(c: str) -> str:
    return c.encode("unicode_escape").decode("ascii") if ord(c) > 0x7F or c in "\n\r\t" else f"\\x{ord(c):02x}"


def number(value: float | None, digits: int = 4) -> str:
    """A number with so many significant digits, without exponent where it stays readable."""
    if value is None or not math.isfinite(value):
        return NOTHING
    if value == 0.0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    if not -5 <= size < 9:
        return f"{value:.{digits - 1}e}"
    # Rounding may bring one digit more, as 99.996 to 100.0.
    size = math.floor(math.log10(abs(float(f"{value:.{digits - 1}e}"))))
    return f"{value:.{max(0, digits - 1 - size)}f}"


def fixed(value: float | None, decimals: int) -> str:
    """A number with so many decimals."""
    return NOTHING if value is None or not math.isfinite(value) else f"{value + 0.0:.{decimals}f}"


def uncertain(expanded: float | None) -> str:
    """An uncertainty in two significant digits, before the decimal point too: 142 is 140 (JCGM 100, 7.2.6)."""
    if expanded is None or not math.isfinite(expanded):
        return NOTHING
    return number(float(f"{expanded:.1e}"), 2)


def with_unit(value: float | None, code: str, digits: int = 4) -> str:
    """A number with the symbol of its unit (UCUM code)."""
    return f"{number(value, digits)} {symbol(code)}".rstrip()


def called(quantity: str) -> str:
    """A quantity or signal as a person names it."""
    return "pH" if quantity == "ph" else quantity.replace("_", " ")


def after(code: str) -> str:
    """The symbol of a unit behind the number of a quantity that is named; a pH has none there."""
    return "" if code == "[pH]" else symbol(code)


def ended(outcome: str, reason: str) -> str:
    """How a run that did not come to its end went: who stopped it, or what went wrong."""
    return f"{outcome} ({plain(reason)})" if outcome == "stopped" else f"{outcome}: {plain(reason)}"


def span(seconds: float) -> str:
    """A length of time: ``8.5 s``, ``45 s``, ``2 min 05 s``, ``1 h 03 min``."""
    if seconds < 10 and seconds != int(seconds):
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def local_time(utc_ns: int | None) -> str:
    """A moment on this machine's wall clock, to the second."""
    if utc_ns is None:
        return NOTHING
    return time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(utc_ns // 1_000_000_000))


def utc_iso(utc_ns: int | None) -> str | None:
    """A moment as ISO 8601 in UTC with milliseconds, for machines."""
    if utc_ns is None:
        return None
    seconds, rest = divmod(utc_ns, 1_000_000_000)
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S") + f".{rest // 1_000_000:03d}Z"


def width(text: str) -> int:
    """Columns a text takes on a terminal: wide characters two, combining ones none."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in ("W", "F") else 1 for c in text
    )


def table(head: list[str], rows: list[list[str]], *, right: frozenset[int] = frozenset()) -> str:
    """Columns as wide as their content, two spaces apart; the columns in `right` are flush right."""
    lines = [head, *rows]
    widths = [max(width(line[i]) for line in lines) for i in range(len(head))]

    def cell(text: str, i: int) -> str:
        padding = " " * (widths[i] - width(text))
        return padding + text if i in right else text + padding

    return "\n".join("  ".join(cell(text, i) for i, text in enumerate(line)).rstrip() for line in lines)


def shortened(text: str, columns: int) -> str:
    """Text cut to so many columns, the cut marked."""
    if width(text) <= columns:
        return text
    while text and width(text) > columns - 1:
        text = text[:-1]
    return text + "…"


def shown_value(data: dict[str, Any]) -> str:
    """The number of a result as a person reads it: as its product reports it, otherwise in four digits.

    Where nothing else says how many digits it has, it ends at the decimal place of its expanded uncertainty
    (JCGM 100, 7.2.6).
    """
    if data.get("reported"):
        return str(data["reported"])
    value, uncertainty = data.get("value"), data.get("uncertainty")
    shown = number(value)
    if value is None or uncertainty is None or "e" in shown:
        return shown
    return fixed(value, len(uncertain(uncertainty["expanded"]).partition(".")[2]))


def value_line(data: dict[str, Any]) -> str:
    """The value of a result (`ResultData` as a dict) with unit and expanded uncertainty, without any mark."""
    shown = shown_value(data)
    unit = symbol(data["unit"])
    uncertainty = data.get("uncertainty")
    if data.get("value") is None:
        return "no value"
    if uncertainty is None:
        return _with(shown, unit)
    if uncertainty.get("trials"):
        half = (uncertainty["high"] - uncertainty["low"]) / 2.0
        return f"{_with(shown, unit)} ± {_with(uncertain(half), unit)} (95 %, JCGM 101)"
    return f"{_with(shown, unit)} ± {_with(uncertain(uncertainty['expanded']), unit)} (k = {uncertainty['k']:.2f})"


def _with(shown: str, unit: str) -> str:
    return f"{shown} {unit}".rstrip()
