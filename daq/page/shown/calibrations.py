"""The lines of the form of a calibration: constants of the file and points of the certificate, each with its errors."""

import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

VALUES: Final = ("as_found", "as_left", "uncertainty")
MOST_LINES: Final = 14
"""Greatest number of lines: a form has at most 100 fields."""
FREE_LINES: Final = 3
"""Number of lines for points of the certificate that are no constants of the file."""
OF_VALUE: Final = re.compile(r"values\[(\d+)\](?:\.(\w+))?(?:\[\d+\])?: (.*)")
"""An error of the act in one value: its place in the order, the key and the reason."""


def _field(name: str, line: int) -> str:
    """Return the name of a field of a line."""
    return f"{name}.{line}"


def _given(given: Mapping[str, Any], name: str, line: int) -> str:
    return str(given.get(_field(name, line), ""))


def _is_constant(given: Mapping[str, Any], line: int) -> bool:
    return _given(given, "constant", line) == "yes"


def used_lines(given: Mapping[str, Any]) -> list[int]:
    """Return the numbers of the lines with something written; the name of a constant is there in any case."""
    used = []
    for n in range(MOST_LINES):
        names = VALUES if _is_constant(given, n) else ("name", *VALUES)
        if any(_given(given, name, n).strip() for name in names):
            used.append(n)
    return used


def values_of(given: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the values of the order from the fields of the form, one for each line that is used."""
    return [
        {name: _given(given, name, n) for name in ("name", *VALUES)} | {"constant": _is_constant(given, n)}
        for n in used_lines(given)
    ]


def calibration_lines(
    constants: Iterable[Mapping[str, Any]], given: Mapping[str, Any], refused: Iterable[str]
) -> list[dict[str, Any]]:
    """Return the lines of the form.

    Args:
        constants: constants of the piece, each with `name` and `unit`.
        given: fields of a form that was refused; empty otherwise.
        refused: lines of the refusal; those about one value are shown at its line.
    """
    listed = list(constants)[: MOST_LINES - FREE_LINES]
    used = used_lines(given)
    errors: dict[int, list[tuple[str, str]]] = {}
    for text in refused:
        found = OF_VALUE.fullmatch(text)
        if found and int(found[1]) < len(used):
            errors.setdefault(used[int(found[1])], []).append((found[2] or "", found[3]))
    # The constants of the file may have changed since the form was sent: values stay with their name.
    own = {_given(given, "name", n): n for n in range(MOST_LINES) if _is_constant(given, n)}
    out = []
    for n in range(len(listed) + FREE_LINES):
        constant = listed[n] if n < len(listed) else None
        at = own.get(constant["name"], -1) if constant else -1 if _is_constant(given, n) else n
        out.append(
            {
                "fields": {name: _field(name, n) for name in ("name", "constant", *VALUES)},
                "constant": constant is not None,
                "name": constant["name"] if constant else _given(given, "name", at),
                "unit": constant["unit"] if constant else "",
                "given": {name: _given(given, name, at) for name in VALUES},
                "errors": errors.get(at, []),
            }
        )
    return out


def without_lines(refused: Iterable[str]) -> list[str]:
    """Return the lines of a refusal that are about no single value."""
    return [text for text in refused if not OF_VALUE.fullmatch(text)]
