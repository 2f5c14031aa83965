"""The options a description declares, and the values an instrument's file gives them."""

import difflib
from collections.abc import Mapping
from typing import Any, Final

from daq.core.errors import SettingError, SettingErrors
from daq.descriptions.model import OptionTable

WHAT: Final = {"interval_ms": " of milliseconds"}


def settle_options(
    declared: Mapping[str, OptionTable], given: Mapping[str, Any]
) -> tuple[dict[str, str | int], dict[str, str]]:
    """The value of every option, and the text it has in requests and lines.

    Raises:
        SettingErrors: options that are not declared, or have a value that is not allowed.
    """
    errors: list[SettingError] = []
    for name in sorted(given.keys() - declared.keys()):
        near = difflib.get_close_matches(name, list(declared), 1)
        known = f"known: {', '.join(sorted(declared))}" if declared else "this instrument has none"
        hint = f"did you mean {near[0]!r}?" if near else known
        errors.append(SettingError(f"unknown option; {hint}", key=f"options.{name}"))
    chosen: dict[str, str | int] = {}
    for name, option in declared.items():
        value = given.get(name, option.default)
        wrong = fault_of(name, option, value)
        if wrong:
            errors.append(SettingError(wrong, key=f"options.{name}"))
        chosen[name] = value
    if errors:
        raise SettingErrors(errors)
    return chosen, {name: written(declared[name], value) for name, value in chosen.items()}


def fault_of(name: str, option: OptionTable, value: Any) -> str:
    """Why a value is not allowed; "" where it is."""
    if option.choices:
        if value in option.choices and type(value) in map(type, option.choices):
            return ""
        *most, last = (repr(choice) for choice in option.choices)
        return f"must be {', '.join(most)} or {last}" if most else f"must be {last}"
    if isinstance(option.default, int):
        low, high = option.low, option.high
        fits = isinstance(value, int) and not isinstance(value, bool)
        if fits and (low is None or low <= value) and (high is None or value <= high):
            return ""
        span = f" from {low} to {high}" if low is not None and high is not None else ""
        span = span or (f" of at least {low}" if low is not None else f" of at most {high}" if high is not None else "")
        return f"must be a whole number{WHAT.get(name, '')}{span}"
    if not isinstance(value, str):
        return "must be text in quotes"
    if not value.isprintable():
        return "must have printable characters only"
    return ""


def written(option: OptionTable, value: str | int) -> str:
    """The text of an option's value in requests and lines."""
    return f"{value:0{option.digits}d}" if isinstance(value, int) and option.digits else str(value)
