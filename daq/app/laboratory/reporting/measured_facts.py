"""Facts of a result (`ResultData` as a dict) as rows of a page.  Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from daq.app.laboratory.reporting.page_blocks import Block, headline, table
from daq.app.screens.geometry_text import geometry_lines
from daq.app.screens.result_screen import BOUND_UNITS, conditions_text
from daq.app.screens.text import called, chance, expanded_of, sentence, shown_value, spaced
from daq.core.errors import ArgumentError, SettingError, coded
from daq.core.units import symbol
from daq.quality.digits import NOTHING, as_set, interval_text, is_interval, not_finer, number, uncertain, within
from daq.quality.limits import decimal_of

VERDICTS: Final = {
    "within": "Within the limits",
    "outside": "Outside the limits",
    "undecided": "Undecided: too near to a limit",
    "not_comparable": "Not comparable with the limits",
    "none": "",
}
"""Words of a verdict on a page."""
ROUNDINGS: Final = {"unrounded": "the value as computed", "rounded": "the value rounded as reported"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductUsed:
    """The product as a run used it; "" for what is not stored."""

    id: str = ""
    name: str = ""
    version: str = ""
    approved_by: str = ""
    text_digest: str = ""

    @property
    def words(self) -> str:
        """Name and version for a reader outside of the works."""
        name = f"{self.name} ({self.id})" if self.name and self.name != self.id else self.id
        return f"{name}, specification version {self.version}" if self.version else name


def value_headline(data: Mapping[str, Any]) -> Block:
    """Return the value with its interval in large digits, and the verdict."""
    unit = symbol(data["unit"])
    expanded = expanded_of(dict(data))
    if data["value"] is None:
        return headline(called(data["quantity"]), "no value")
    shown = shown_value(dict(data))
    value = f"{shown} ± {uncertain(expanded)} {unit}" if is_interval(expanded) else f"{shown} {unit}"
    return headline(
        called(data["quantity"]), value.rstrip(), interval_words(data), VERDICTS[data["verdict"]["verdict"]]
    )


def interval_words(data: Mapping[str, Any]) -> str:
    """Return interval and coverage of a value, or why it has no interval."""
    uncertainty = data.get("uncertainty") or {}
    expanded = uncertainty.get("expanded")
    if not is_interval(expanded):
        reasons = sentence(uncertainty["reasons"]) if uncertainty.get("reasons") else ""
        return f"no interval: {reasons}" if reasons else "no interval"
    low, high = (within(uncertainty[end], expanded) for end in ("low", "high"))
    unit = symbol(data["unit"])
    return (
        f"expanded uncertainty, k = {uncertainty['k']:.2f}; interval {low} to {high} {unit}".rstrip()
        + f" with a coverage probability of {100 * uncertainty['coverage']:.0f} %"
    )


def limits_table(data: Mapping[str, Any]) -> list[Block]:
    """Return the table of the limits of the result's own quantity; none without limits."""
    limits = [x for x in data["verdict"].get("limits", ()) if x["quantity"] == data["quantity"]]
    if not limits:
        return []
    rows = [
        [
            called(x["quantity"]),
            NOTHING if x["low"] is None else as_set(x["low"]),
            NOTHING if x["high"] is None else as_set(x["high"]),
            symbol(x["unit"]),
            _bounds(x["applies_at"]),
            spaced(x["verdict"]),
        ]
        for x in limits
    ]
    return [table(["quantity", "at least", "at most", "unit", "applies at", "verdict"], rows, frozenset({1, 2}))]


def _bounds(applies_at: Mapping[str, Any]) -> str:
    shown = (
        f"{value:g} {symbol(BOUND_UNITS[key])}" if key in BOUND_UNITS else str(value)
        for key, value in applies_at.items()
    )
    return ", ".join(shown) or NOTHING


def rule_words(data: Mapping[str, Any]) -> str:
    """Return the decision rule (ISO/IEC 17025, 7.8.6; JCGM 106) and its risk; "" without limits."""
    verdict = data["verdict"]
    if not verdict.get("acceptance") or verdict["verdict"] == "none":
        return ""
    risk = verdict.get("risk_of_false_acceptance")
    words = f"{spaced(verdict['acceptance'])} (JCGM 106) on {ROUNDINGS.get(verdict['rounding'], 'the value')}"
    return words if risk is None else f"{words}; risk of false acceptance {chance(risk)}"


def taken_words(data: Mapping[str, Any]) -> str:
    """Return the readings that the value is made from."""
    taken = data.get("span")
    if not taken:
        return ""
    at = "" if taken.get("taken_at_s") is None else f", {_brief(taken['taken_at_s'])} s after the step began"
    return f"{taken['statistic']} of {taken['n']} readings over {_brief(taken['seconds'])} s{at}"


def _brief(seconds: float) -> str:
    """Return a time (s) in at most four digits: ``30``, ``29.98``."""
    return f"{float(number(seconds)):g}"


def geometry_words(data: Mapping[str, Any]) -> str:
    """Return the measuring geometry with its dimensions."""
    lines = geometry_lines(data.get("geometry"))
    return "; ".join(lines).removeprefix("geometry: ")


def choice_words(data: Mapping[str, Any]) -> str:
    """Return the choices of the run."""
    choices = data["method"].get("choices") or {}
    return ", ".join(f"{spaced(k)} {c['value']:g} {symbol(c['unit'])}".rstrip() for k, c in choices.items())


def method_words(data: Mapping[str, Any]) -> str:
    """Return title, id and version of the method."""
    method = data["method"]
    named = f"{method['id']}, version {method['version']}"
    return f"{method['title']} ({named})" if method.get("title") else named


def corrected_words(data: Mapping[str, Any]) -> str:
    """Return the value at the product's reference temperature; "" where there is none."""
    corrected = data.get("corrected")
    if not corrected or corrected["value"] is None or data["value"] is None:
        return ""
    words = interval_text(corrected["value"], corrected["expanded"], symbol(data["unit"]))
    return f"{words} at {corrected['reference_celsius']:g} °C; the verdict is on the value as measured"


def conditions_words(data: Mapping[str, Any]) -> str:
    """Return speed, torque, shear and temperature of the value."""
    return conditions_text(data["conditions"] | {data["quantity"]: None})


def compared_words(data: Mapping[str, Any]) -> str:
    """Return the number that was compared with the limits; "" where it has more digits than the value supports.

    Raises:
        SettingError: it is damaged.
    """
    compared, value = data["verdict"].get("compared"), data["value"]
    if not compared or value is None:
        return ""
    try:
        decimal_of(compared)
        is_supported = not_finer(compared, value, expanded_of(dict(data))) == compared
    except ArgumentError as error:
        run = data["origin"]["run"]
        damaged = SettingError(
            f"the stored result of run {run} is damaged: verdict.compared {error.reason}; `daq verify` lists what does "
            "not agree with the audit trail"
        )
        raise coded(damaged, "result_damaged", run=run, field="verdict.compared") from None
    return str(compared) if is_supported else ""


def moment_words(text: str | None) -> str:
    """Return an ISO 8601 time to the minute: ``2026-11-29 12:20 UTC``; "" for none."""
    if not text:
        return ""
    return f"{text[:10]} {text[11:16]} UTC" if text.endswith("Z") else f"{text[:10]} {text[11:]}"
