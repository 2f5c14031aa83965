"""Numbers with units for the templates: digits that the uncertainty supports, SI symbols, places of a bar."""

from collections.abc import Mapping
from typing import Any, Final

from daq.app.screens.text import digits_of, expanded_of, shown_value
from daq.core.units import symbol
from daq.page.texts.texts import Texts
from daq.quality.digits import as_set, number, to_place, uncertain

DASH: Final = "\N{EN DASH}"
"""Shown in the place of a value that does not exist."""
LEAST_CHANCE: Final = 1e-4
"""Probability below which only the bound is shown."""
LONG: Final = 6
"""Characters of a value from which its digits are drawn smaller, so that it fits beside its unit."""


def amount(value: float | None, code: str = "1", places: int | None = None, digits: int = 4) -> str:
    """Return a number with the symbol of its unit.

    Args:
        value: the number; None gives a dash.
        code: UCUM code.
        places: decimals; None: `digits` significant digits.
        digits: as above.
    """
    if value is None:
        return DASH
    shown = number(value, digits) if places is None else to_place(value, places)
    return f"{shown} {_after(code)}".rstrip()


def _after(code: str) -> str:
    """Return the symbol of a unit behind a number; pH is a quantity, not a unit."""
    return "" if code == "[pH]" else symbol(code)


def unit_symbol(code: str | None) -> str:
    """Return the symbol of a unit; "" without one."""
    return _after(code or "1")


def value_text(data: Mapping[str, Any]) -> str:
    """Return the number of a result (`ResultData` as JSON) without its unit; a dash without a value."""
    return DASH if data.get("value") is None else shown_value(dict(data))


def half_text(data: Mapping[str, Any], t: Texts) -> str:
    """Return the expanded uncertainty of a result with its coverage factor; "" where it has no interval."""
    expanded = expanded_of(dict(data))
    if expanded is None or data.get("value") is None:
        return ""
    half = f"{uncertain(expanded)} {_after(data['unit'])}".rstrip()
    if data["uncertainty"].get("trials"):
        return t("bench.verdict.interval_simulated", half=half)
    return t("bench.verdict.interval", half=half, k=f"{data['uncertainty']['k']:.2f}")


def entry_value(entry: Mapping[str, Any]) -> str:
    """Return the value of a run of a list with its unit."""
    if entry.get("value") is None:
        return DASH
    half = f" ± {uncertain(entry['expanded'])}" if entry.get("expanded") else ""
    return f"{entry['shown']}{half} {_after(entry.get('unit') or '1')}".rstrip()


def is_long(text: str) -> bool:
    """Return whether a value has too many digits to be drawn in full size beside its unit."""
    return len(text) >= LONG


def percent(part: float | None, digits: int = 2) -> str:
    """Return a part (0 to 1) in per cent."""
    return DASH if part is None else f"{number(100.0 * part, digits)} %"


def risk(probability: float | None, t: Texts) -> str:
    """Return a probability (0 to 1) in per cent, in two significant digits; the ends as bounds."""
    if probability is None:
        return DASH
    if probability < LEAST_CHANCE:
        return t("format.below", value=percent(LEAST_CHANCE, 1))
    if probability > 1.0 - LEAST_CHANCE:
        return t("format.above", value=percent(1.0 - LEAST_CHANCE, 4))
    return percent(probability)


def supported_digits(data: Mapping[str, Any]) -> int:
    """Return how many significant digits a result supports for other values of its run."""
    return digits_of(dict(data))


def limit_range(limit: Mapping[str, Any], t: Texts) -> str:
    """Return the limits of a product as words with their unit."""
    unit = _after(limit.get("unit") or "1")
    low, high = limit.get("low"), limit.get("high")
    if low is None and high is None:
        return DASH
    return f"{t.range(None if low is None else as_set(low), None if high is None else as_set(high))} {unit}".rstrip()


def short(text: str | None, most: int = 8) -> str:
    """Return the beginning of an id or a digest."""
    return (text or "")[:most]
