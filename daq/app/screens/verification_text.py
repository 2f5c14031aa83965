"""A verification in words, from a result's data (`ResultData` as a dict)."""

from collections.abc import Mapping
from typing import Any, Final

from daq.app.screens.tables import table
from daq.app.screens.text import fixed, plain, sentence, spaced
from daq.core.units import symbol
from daq.quality.digits import NOTHING, SHOWN_ID, number, uncertain, within

OUTCOMES: Final[dict[bool | None, tuple[str, str]]] = {
    True: ("passed", "good"),
    False: ("FAILED", "bad"),
    None: ("not decided", "warn"),
}
"""Words and style of a verification, by whether it passed."""
ACCEPTED: Final[dict[bool | None, str]] = {True: "accepted", False: "OUTSIDE", None: "not judged"}


def controlled_words(data: Mapping[str, Any]) -> str:
    """Return the required control of the shift of a run in words; "" where none was required.

    Args:
        data: an object with the key ``controlled``, as a result.
    """
    found = data.get("controlled")
    if not found:
        return ""
    words = f"{plain(found['fluid'])}: {spaced(found['state'])}"
    if not found["run"]:
        return words
    instrument = ", ".join(
        plain(part) for part in (found["serial"], found["geometry"], found["geometry_serial"]) if part is not None
    )
    return f"{words}, run {found['run']} of {found['began']}" + (f" ({instrument})" if instrument else "")


def verification_words(data: dict[str, Any]) -> list[tuple[str, str]]:
    """Return the outcome of a verification and its consequences, with styles; empty where the run was none."""
    verification = data.get("verification")
    if not verification:
        return []
    words, style = OUTCOMES[verification["passed"]]
    return [
        (f"{_kind(verification).upper()} {words.upper()}, {spaced(verification['condition'])}", style),
        *((sentence, "warn") for sentence in _consequences(data)),
    ]


def _kind(verification: Mapping[str, Any]) -> str:
    """Return whether it is a verification or a control; results of earlier versions do not state it."""
    return str(verification.get("kind", "verification"))


def _consequences(data: dict[str, Any]) -> list[str]:
    """Return the results that a failed verification puts in doubt, as sentences."""
    verification = data["verification"]
    if verification["passed"] is not False:
        return []
    count, instrument = len(verification["results_since_pass"]), plain(data["origin"]["instrument"])
    if _kind(verification) == "control":
        run = plain(data["origin"]["run"])
        return [f"results in doubt since the last pass: {count}; `daq affected {run[:SHOWN_ID]}` lists them"]
    return [f"results in doubt since the last pass: {count}; `daq verification {instrument}` lists them"]


def _expanded(level: dict[str, Any]) -> float | None:
    """Return the expanded uncertainty of measured less certified, in the unit of both."""
    percent, certified = level["deviation_uncertainty_percent"], level["certified"]
    return None if percent is None or certified is None else percent / 100.0 * certified


def _deviation(level: dict[str, Any]) -> str:
    deviation, expanded = level["deviation_percent"], level["deviation_uncertainty_percent"]
    if deviation is None:
        return NOTHING
    shown = f"{deviation:.2f}" if expanded is None else within(deviation, expanded)
    return f"{'+' if deviation >= 0.0 else ''}{shown} %"


def limits_words(verification: Mapping[str, Any]) -> str:
    """Return the origin of the limits of a control; "" for a verification, and without limits."""
    if _kind(verification) != "control" or not any(level["low"] is not None for level in verification["levels"]):
        return ""
    who = verification.get("limits_fixed_by")
    return f"limits fixed by {plain(who)} on {verification['limits_fixed_on']}" if who else "limits of the fluid's file"


def _limits_words(verification: Mapping[str, Any]) -> str:
    words = limits_words(verification)
    return f", {words}" if words else ""


def verification_table(data: dict[str, Any], columns: int | None = None) -> list[str]:
    """Return everything about a verification, the table at most `columns` wide; empty where the run was none."""
    verification = data.get("verification")
    if not verification:
        return []
    rows = [
        [
            plain(x["step"]),
            number(x["speed"]),
            number(x["torque_percent"], 3),
            fixed(x["temperature"], 2),
            within(x["measured"], _expanded(x), 5),
            within(x["certified"], _expanded(x), 5),
            f"{number(x['low'], 5)} to {number(x['high'], 5)}",
            _deviation(x),
            uncertain(x["deviation_uncertainty_percent"]),
            number(x["normalised_error"], 2),
            ACCEPTED[x["accepted"]],
        ]
        for x in verification["levels"]
    ]
    units = [symbol("/min"), "%", symbol("Cel")]
    head = [
        "step",
        *units,
        f"measured, {symbol(data['unit'])}",
        "certified",
        "accepted",
        "deviation",
        "U, %",
        "E_n",
        "",
    ]
    words, _ = OUTCOMES[verification["passed"]]
    summary = (
        f"{spaced(verification['condition'])}: {words}, {plain(verification['fluid'])} "
        f"lot {plain(verification['lot'])}"
        + (f", certificate {plain(verification['certificate'])}" if verification["certificate"] else "")
        + f" until {verification['expires']}"
        + _limits_words(verification)
    )
    return [
        summary,
        *table(head, rows, right=frozenset({1, 2, 3, 4, 5, 7, 8, 9}), columns=columns).splitlines(),
        *(sentence(reason) for reason in verification["reasons"]),
        *_consequences(data),
    ]
