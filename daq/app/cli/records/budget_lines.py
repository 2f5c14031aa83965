"""The uncertainty budget of a result as lines of `daq show`."""

from typing import Any, Final

from daq.app.screens.tables import table
from daq.app.screens.text import plain, sentence, spaced
from daq.core.units import symbol
from daq.quality.digits import NOTHING, number, uncertain, within

MANY_DEGREES: Final = 1000
"""Above it the t distribution is the normal one, and a number of degrees of freedom says nothing."""


def budget_lines(data: dict[str, Any] | None, columns: int | None) -> list[str]:
    """Return the uncertainty budget of a result, in lines of at most `columns` columns; empty without one."""
    uncertainty = (data or {}).get("uncertainty")
    if not uncertainty:
        return []
    unit = symbol((data or {})["unit"])
    rows = [
        [
            plain(c["name"]),
            number(c["standard_uncertainty"], 3),
            symbol(c["unit"]),
            spaced(c["distribution"]),
            NOTHING if c["degrees_of_freedom"] is None else _freedom(c["degrees_of_freedom"]),
            number(c["sensitivity"], 3),
            number(c["contribution"], 3),
            f"{100 * c['share']:.0f} %",
        ]
        for c in uncertainty["components"]
    ]
    head = ["component", "u", "unit", "distribution", "dof", "sensitivity", f"in {unit}", "share"]
    out = table(head, rows, right=frozenset({1, 4, 5, 6, 7}), columns=columns).splitlines()
    out += [f"no interval: {sentence(text)}" for text in uncertainty["reasons"]]
    if uncertainty["expanded"] is not None:
        freedom = uncertainty["effective_degrees_of_freedom"]
        out.append(
            f"interval {_end(uncertainty, 'low')} to {_end(uncertainty, 'high')} {unit}, U = "
            f"{uncertain(uncertainty['expanded'])} {unit}, k = {uncertainty['k']:.2f}, coverage "
            f"{100 * uncertainty['coverage']:.0f} %, {plain(uncertainty['method'])}"
            + (f" ({uncertainty['trials']:,} trials, seed {uncertainty['seed']})" if uncertainty["trials"] else "")
            + f", effective degrees of freedom {_freedom(freedom)}"
        )
    other = uncertainty["compared"]
    if other is not None:
        out.append(
            f"for comparison, not published, {plain(other['method'])}: U = {uncertain(other['expanded'])} {unit}, "
            f"k = {other['k']:.2f}; too wide, because limits prevail"
        )
    return out + [f"left out: {sentence(text)}" for text in uncertainty["left_out"]]


def _freedom(degrees: float | None) -> str:
    """Return degrees of freedom; many are as good as unlimited."""
    if degrees is None:
        return "unlimited"
    return f"above {MANY_DEGREES}" if degrees > MANY_DEGREES else number(degrees, 3)


def _end(uncertainty: dict[str, Any], which: str) -> str:
    """Return an end of the interval, with the digits of U."""
    return within(uncertainty[which], uncertainty["expanded"])
