"""The layout of a result on a terminal: value, validity, verdict, conditions, advice."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from daq.app.screens.digits import largest
from daq.app.screens.styled_lines import NARROWEST, Line, joined, wrapped
from daq.app.screens.text import (
    called,
    chance,
    digits_of,
    expanded_of,
    plain,
    sentence,
    shown_value,
    spaced,
    value_line,
    with_unit,
)
from daq.app.screens.verification_text import verification_words
from daq.core.errors import ArgumentError
from daq.core.units import UNITS, convert, symbol
from daq.methods.messages.leaves import unit_of
from daq.methods.parts.measured import Conditions
from daq.methods.parts.viscosities import OWN_VISCOSITY, VISCOSITIES
from daq.quality.digits import as_set, interval_text, not_finer, number, significant
from daq.quality.limits import decimal_of

VERDICTS: Final[dict[str, tuple[str, str]]] = {
    "within": ("├●┤ WITHIN limits", "good"),
    "outside": ("├─┤● OUTSIDE limits", "bad"),
    "undecided": ("├─◐─ UNDECIDED: too near to a limit", "warn"),
    "not_comparable": ("├?┤ NOT COMPARABLE with limits", "warn"),
    "none": ("no limits to compare with", "dim"),
}
"""Mark, words and style of a verdict."""
BOUND_UNITS: Final = {"speed": "/min", "time": "s", "temperature": "Cel"}
"""Units of the conditions at which a limit may apply."""
VALIDITIES: Final = {"valid": ("✓", "good"), "doubtful": ("?", "warn"), "not_valid": ("✕", "bad")}
"""Mark and style of a validity."""


def result_lines(data: dict[str, Any], columns: int, *, digits: int = 0) -> list[Line]:
    """Return a result (`ResultData` as a dict) for a person: value, validity, verdict, conditions, advice.

    Args:
        data: the result.
        columns: the width of the screen, taken as at least `NARROWEST`.
        digits: the greatest height (rows) of the large digits; 0: none.
    """
    columns = max(columns, NARROWEST)
    lines: list[Line] = []
    if digits and data["value"] is not None:
        doubtful = data["validity"] != "valid"
        style = VALIDITIES[data["validity"]][1] if doubtful else "value"
        rows = largest(shown_value(data), digits, columns - 2, struck=doubtful)
        lines += [*([("  ", ""), (row, style)] for row in rows), []]
    lines += joined(summary(data), columns)
    for reason in data["reasons"]:
        lines += wrapped(sentence(reason), columns, "  - ")
    for reason in (data.get("uncertainty") or {}).get("reasons") or []:
        lines += wrapped(sentence(reason), columns, "no interval: ", "dim")
    lines += verdict_lines(data, columns)
    for words, style in verification_words(data):
        lines += wrapped(words, columns, "", style)
    # A measured temperature or stress is not repeated as its own condition.
    own = {data["quantity"]: None}
    conditions = conditions_text(data["conditions"] | own)
    if conditions:
        lines += wrapped(conditions, columns, "at ", "dim")
    lines += _own_viscosity(data, columns)
    others = _others(data["conditions"].get("signals") or {})
    if others:
        lines += wrapped(others, columns, "also measured: ", "dim")
    lines += corrected_lines(data, columns)
    lines += dry_content_lines(data, columns)
    for advice in data["advice"]:
        lines += wrapped(sentence(advice), columns, "advice: ", "warn")
    for warning in data["warnings"]:
        lines += wrapped(sentence(warning), columns, "note: ", "dim")
    return lines


def summary(data: dict[str, Any]) -> list[Line]:
    """Return value, validity and verdict of a result (`ResultData` as a dict), the parts of one line."""
    mark, style = VALIDITIES[data["validity"]]
    words = value_line(data | {"unit": ""} if data["unit"] == "[pH]" else data)
    name = called(data["quantity"])
    value: Line = [(f"{name} = ", "head"), (words, "value" if data["validity"] == "valid" else "struck")]
    if data["value"] is None:
        value = [(f"{name}: no value", "head")]
    validity: Line = [(f"{mark} {spaced(data['validity']).upper()}", style)]
    if data["quality"] != "Good":
        validity.append((f" ({spaced(data['quality'])})", "dim"))
    return [value, validity, [_verdict(data)]]


def _verdict(data: dict[str, Any]) -> tuple[str, str]:
    """Return the verdict with its mark; dimmed and in brackets where the number is not valid."""
    own, others = _limits(data)
    words, style = VERDICTS[data["verdict"]["verdict"]]
    if others and not own:
        words, style = f"NOT JUDGED: no limits for {called(data['quantity'])}", "warn"
    elif data["verdict"]["verdict"] == "outside" and is_below(data, own):
        words = "●├─┤ OUTSIDE limits"
    if data["validity"] == "valid" or data["verdict"]["verdict"] == "none":
        return words, style
    return f"({words})", "dim"


def is_below(data: Mapping[str, Any], limits: Sequence[Mapping[str, Any]]) -> bool:
    """Return whether a value is below the limit that it is outside of, as the number that was compared with it."""
    # A value may be above its limit, and below it as it is rounded.
    value = _number(data["verdict"].get("compared"), data["value"])
    lows = [limit["low"] for limit in limits if limit["verdict"] == "outside" and limit["low"] is not None]
    return value is not None and any(value < low for low in lows)


def _number(text: Any, otherwise: float | None) -> float | None:
    """Return the number of a text; `otherwise` where there is none, and where it is damaged."""
    try:
        return float(decimal_of(text))
    except ArgumentError:
        return otherwise


def _limits(data: dict[str, Any]) -> tuple[list[dict[str, Any]], list[str]]:
    """Return the limits of the result's own quantity, and the names of the other quantities that have limits."""
    limits, quantity = data["verdict"].get("limits", []), data["quantity"]
    own = [limit for limit in limits if limit["quantity"] == quantity]
    return own, list(dict.fromkeys(called(x["quantity"]) for x in limits if x["quantity"] != quantity))


def verdict_lines(data: dict[str, Any], columns: int) -> list[Line]:
    """Return by which rule and against which limits the verdict was made; limits of other quantities are only named."""
    verdict = data["verdict"]
    own, others = _limits(data)
    named = " and ".join([", ".join(others[:-1]), others[-1]] if len(others) > 1 else others)
    if others and not own:
        return _no_own_limits(data, named, columns)
    lines: list[Line] = []
    rule = verdict.get("rounding")
    if rule is not None and data["value"] is not None:
        # An unrounded value has more digits than a person reads; --json has them.
        rounded = f"the value rounded as reported, {_compared(data)}".rstrip(", ")
        compared = "the value as it is (unrounded)" if rule == "unrounded" else rounded
        lines += wrapped(f"{spaced(verdict['acceptance'])}: {compared}{_risk(verdict)}", columns, "  ", "dim")
    for limit in own:
        lines += wrapped(limit_text(limit), columns, "  limit: ")
    if others:
        lines += wrapped(f"the product has limits for {named} too; they are for other methods", columns, "  ", "dim")
    # The reasons of the verdict hold those of the other quantities as well.
    reasons = [*verdict["reasons"]] if not others else [r for limit in own for r in limit["reasons"]]
    for reason in dict.fromkeys(sentence(reason) for reason in reasons):
        lines += wrapped(reason, columns, "  - ")
    return lines


def _compared(data: dict[str, Any]) -> str:
    """Return the number that was compared; "" for a damaged one, or with digits beyond the value's uncertainty."""
    compared, value = data["verdict"].get("compared"), data["value"]
    if value is None or not isinstance(compared, str) or _number(compared, None) is None:
        return ""
    return plain(compared) if not_finer(compared, value, expanded_of(data)) == compared else ""


def _risk(verdict: dict[str, Any]) -> str:
    """Return the risk of a false acceptance, or the probability that a value not accepted is outside of its limits."""
    risk = verdict.get("risk_of_false_acceptance")
    if risk is not None:
        return f"; risk of false acceptance {chance(risk)}"
    if verdict["verdict"] == "within":
        return "; risk of false acceptance not known: the value has no uncertainty"
    if verdict["verdict"] != "undecided":
        return ""
    found = [x["probability_outside"] for x in verdict["limits"] if x["verdict"] == "undecided"]
    known = [x for x in found if x is not None]
    return f"; the true value is outside with a probability of {chance(max(known))}" if known else ""


def _no_own_limits(data: dict[str, Any], others: str, columns: int) -> list[Line]:
    quantity, product = data["quantity"], plain(data["sample"].get("product") or "the product")
    reason = f"{product} has limits for {others} only, this result is {called(quantity)}"
    todo = (
        f'if it should be judged, write [[limits]] with quantity = "{plain(quantity)}" into the file of {product}; '
        "if not, leave --product out"
    )
    return [*wrapped(reason, columns, "  - "), *wrapped(todo, columns, "  - ")]


def _own_viscosity(data: dict[str, Any], columns: int) -> list[Line]:
    """Return the viscosity that the instrument itself shows, compared with the value computed here."""
    own = (data["conditions"].get("signals") or {}).get(OWN_VISCOSITY)
    code = data["unit"]
    if own is None or data["quantity"] not in VISCOSITIES or not data["value"]:
        return []
    if own["unit"] not in UNITS or UNITS[own["unit"]].dimension != UNITS[code].dimension:
        return []
    theirs = convert(own["value"], own["unit"], code)
    off = 100.0 * (theirs / data["value"] - 1.0)
    style = "warn" if any(w["code"] == "own_value_differs" for w in data["warnings"]) else ""
    words = f"{significant(theirs, digits_of(data))} {symbol(code)}, {round(off, 1) + 0.0:+.1f} % from this value"
    return wrapped(words, columns, "the instrument itself shows ", style)


def _others(signals: dict[str, dict[str, Any]]) -> str:
    """Return the means of the other signals over the span; the instrument's own viscosity has a line of its own."""
    return ", ".join(
        f"{plain(name)} {with_unit(x['value'], x['unit'], 5)}" for name, x in signals.items() if name != OWN_VISCOSITY
    )


def limit_text(limit: dict[str, Any]) -> str:
    """Return one limit in words."""
    unit = symbol(limit["unit"])
    low, high = limit["low"], limit["high"]
    if low is not None and high is not None:
        what = f"{as_set(low)} to {as_set(high)} {unit}"
    else:
        what = f"at least {as_set(low)} {unit}" if low is not None else f"at most {as_set(high)} {unit}"
    bound = ", ".join(
        f"{value:g} {symbol(BOUND_UNITS[key])}" if key in BOUND_UNITS else f"{spaced(key)} {value}"
        for key, value in limit["applies_at"].items()
    )
    accepted = [x for x in (limit.get("accepted_low"), limit.get("accepted_high")) if x is not None]
    if accepted:
        ends = [number(x) for x in accepted]
        range_within = (
            f"{ends[0]} to {ends[1]}" if len(ends) == 2 else f"{'from' if low is not None else 'up to'} {ends[0]}"
        )
        bound = ", ".join(x for x in (bound, f"within {range_within} {unit}") if x)
    verdict = spaced(limit["verdict"])
    return plain(f"{called(limit['quantity'])} {what}" + (f" ({bound})" if bound else "") + f": {verdict}")


def corrected_lines(data: dict[str, Any], columns: int) -> list[Line]:
    """Return the value at the product's reference temperature, or why there is none."""
    corrected = data.get("corrected")
    if not corrected or data["value"] is None:
        return []
    at = f"corrected to {corrected['reference_celsius']:g} °C: "
    if corrected["value"] is None:
        return wrapped(sentence(corrected["reason"]), columns, at + "no value, ", "dim")
    unit = symbol(data["unit"])
    words = interval_text(corrected["value"], corrected["expanded"], unit)
    if corrected["expanded"] is not None:
        words += f" (k = {corrected['k']:.2f})"
    how = f"{words}, as measured times {corrected['factor']:.4f}; the verdict is on the value as measured"
    return wrapped(how, columns, at)


def dry_content_lines(data: dict[str, Any], columns: int) -> list[Line]:
    """Return the dry content of a slip in percent of its mass, or why there is none."""
    found = data.get("dry_content")
    if not found or data["value"] is None:
        return []
    if found["value"] is None:
        return wrapped(sentence(found["reason"]), columns, "dry content: no value, ", "dim")
    expanded = None if found["expanded"] is None else 100.0 * found["expanded"]
    words = interval_text(100.0 * found["value"], expanded, "%")
    solid = f"{found['solid_density']:g} {symbol('kg/m3')}"
    return wrapped(
        f"{words} by mass, with a solid of {solid} and water of {found['celsius']:g} °C", columns, "dry content: "
    )


def conditions_text(conditions: dict[str, Any]) -> str:
    """Return speed, torque, shear and temperature of a value, as far as they are measured."""
    parts = [
        f"{label}{number(conditions.get(key))} {symbol(unit_of(Conditions, key))}".rstrip()
        for label, key in (
            ("", "speed"),
            ("torque ", "torque_percent"),
            ("shear rate ", "shear_rate"),
            ("shear stress ", "stress"),
            ("", "temperature"),
        )
        if conditions.get(key) is not None
    ]
    return ", ".join(parts)
