"""Options declared in a description, and their values in an instrument's file."""

import difflib
from collections.abc import Mapping
from typing import Any, Final

from daq.core.errors import SettingError, SettingErrors
from daq.descriptions.model import OptionTable

WHAT: Final = {"interval_ms": " of milliseconds"}


def settle_options(
    declared: Mapping[str, OptionTable], given: Mapping[str, Any]
) -> tuple[dict[str, str | int], dict[str, str]]:
    """Return the value of every option, and its text in requests and lines.

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
        wrong = option.fault_of(value, WHAT.get(name, ""))
        if wrong:
            errors.append(SettingError(wrong, key=f"options.{name}"))
        chosen[name] = value
    if errors:
        raise SettingErrors(errors)
    return chosen, {name: declared[name].written(value) for name, value in chosen.items()}
