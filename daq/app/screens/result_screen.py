"""The layout of a result on a terminal: value, validity, verdict, conditions, advice."""

from typing import Any, Final

from daq.app.screens.digits import large
from daq.app.screens.run_screen import NARROWEST, Line, wrapped
from daq.app.screens.text import called, number, plain, shown_value, uncertain, value_line, with_unit
from daq.app.screens.verification_text import verification_words
from daq.core.units import UNITS, convert, symbol
from daq.methods.concluding.ownvalue import VISCOSITIES
from daq.methods.messages.leaves import unit_of
from daq.methods.parts.measured import Conditions
from daq.methods.planning.signals import OWN_VISCOSITY

VERDICTS: Final[dict[str, tuple[str, str]]] = {
    "within": ("WITHIN the limits", "good"),
    "outside": ("OUTSIDE the limits", "bad"),
    "not_comparable": ("NOT COMPARABLE with the limits", "warn"),
    "none": ("no limits to compare with", "dim"),
}
BOUND_UNITS: Final = {"speed": "/min", "time": "s", "temperature": "Cel"}
"""Units of what a limit may apply at."""
VALIDITY_STYLES: Final = {"valid": "good", "doubtful": "warn", "not_valid": "bad"}


def result_lines(data: dict[str, Any], columns: int, *, big: bool = True) -> list[Line]:
    """What a run came to (`ResultData` as a dict): value, validity, verdict, conditions, advice."""
    columns = max(columns, NARROWEST)
    validity = data["validity"]
    struck = validity != "valid"
    shown = shown_value(data)
    lines: list[Line] = []
    if big and data["value"] is not None:
        rows = large(shown, struck=struck)
        style = "value" if not struck else VALIDITY_STYLES[validity]
        lines += [[("  ", ""), (row, style)] for row in rows]
        lines.append([])
    name = called(data["quantity"])
    said = value_line(data | {"unit": ""} if data["unit"] == "[pH]" else data)
    value: Line = [(f"{plain(name)} = ", "head")]
    if data["value"] is None:
        value = [(f"{plain(name)}: no value", "head")]
    elif struck:
        value += [(said, "struck"), (f"  {called(validity).upper()}", VALIDITY_STYLES[validity])]
    else:
        value.append((said, "value"))
    lines.append(value)
    lines.append([(called(validity).upper(), VALIDITY_STYLES[validity]), (f"  ({data['quality']})", "dim")])
    for reason in data["reasons"]:
        lines += wrapped(plain(reason["text"]), columns, "  - ")
    lines += verdict_lines(data, columns)
    for said, style in verification_words(data):
        lines += wrapped(said, columns, "", style)
    # A temperature is not repeated as its own condition.
    own = {"temperature": None} if data["quantity"] == "temperature" else {}
    conditions = conditions_text(data["conditions"] | own)
    if conditions:
        lines += wrapped(conditions, columns, "at ", "dim")
    lines += _own_viscosity(data, columns)
    others = _others(data["conditions"].get("signals") or {})
    if others:
        lines += wrapped(others, columns, "also measured: ", "dim")
    lines += corrected_lines(data, columns)
    for advice in data["advice"]:
        lines += wrapped(plain(advice["text"]), columns, "advice: ", "warn")
    for warning in data["warnings"]:
        lines += wrapped(plain(warning["text"]), columns, "note: ", "dim")
    return lines


def verdict_lines(data: dict[str, Any], columns: int) -> list[Line]:
    """Inside the limits or not, by which rule, against which limits; those of other quantities are only named."""
    verdict, quantity = data["verdict"], data["quantity"]
    words, style = VERDICTS[verdict["verdict"]]
    own = [limit for limit in verdict["limits"] if limit["quantity"] == quantity]
    others = list(dict.fromkeys(called(x["quantity"]) for x in verdict["limits"] if x["quantity"] != quantity))
    named = plain(" and ".join([", ".join(others[:-1]), others[-1]] if len(others) > 1 else others))
    if others and not own:
        return _no_own_limits(data, named, columns)
    lines: list[Line] = [[(words, style)]]
    rule = verdict.get("rounding")
    if rule is not None:
        compared = f", compared as {plain(verdict['compared'])}" if verdict.get("compared") else ""
        how = "the value as it is" if rule == "unrounded" else "the value rounded as reported"
        lines += wrapped(f"decision rule {rule}: {how}{compared}", columns, "  ", "dim")
    for limit in own:
        lines += wrapped(limit_text(limit), columns, "  limit: ")
    if others:
        lines += wrapped(f"the product has limits for {named} too; they are for other methods", columns, "  ", "dim")
    # The reasons of the verdict hold those of the other quantities as well.
    reasons = verdict["reasons"] if not others else [r for limit in own for r in limit["reasons"]]
    for reason in dict.fromkeys(r["text"] for r in reasons):
        lines += wrapped(plain(reason), columns, "  - ")
    return lines


def _no_own_limits(data: dict[str, Any], others: str, columns: int) -> list[Line]:
    quantity, product = data["quantity"], plain(data["sample"].get("product") or "the product")
    said = f"{product} has limits for {others} only, this result is {called(plain(quantity))}"
    todo = (
        f'if it should be judged, write [[limits]] with quantity = "{plain(quantity)}" into the file of {product}; '
        "if not, leave --product out"
    )
    head: Line = [(f"NOT JUDGED: no limits for {called(plain(quantity))}", "warn")]
    return [head, *wrapped(said, columns, "  - "), *wrapped(todo, columns, "  - ")]


def _own_viscosity(data: dict[str, Any], columns: int) -> list[Line]:
    """What the instrument itself shows as viscosity beside the one computed here; too far off it is a warning too."""
    own = (data["conditions"].get("signals") or {}).get(OWN_VISCOSITY)
    code = data["unit"]
    if own is None or data["quantity"] not in VISCOSITIES or not data["value"]:
        return []
    if own["unit"] not in UNITS or UNITS[own["unit"]].dimension != UNITS[code].dimension:
        return []
    theirs = convert(own["value"], own["unit"], code)
    off = 100.0 * (theirs / data["value"] - 1.0)
    style = "warn" if any(w["code"] == "own_value_differs" for w in data["warnings"]) else ""
    said = f"{with_unit(theirs, code)}, {round(off, 1) + 0.0:+.1f} % from this value"
    return wrapped(said, columns, "the instrument itself shows ", style)


def _others(signals: dict[str, dict[str, Any]]) -> str:
    """What else was measured, means over the span; the instrument's own viscosity has a line of its own."""
    return ", ".join(
        f"{plain(name)} {with_unit(x['value'], x['unit'], 5)}" for name, x in signals.items() if name != OWN_VISCOSITY
    )


def limit_text(limit: dict[str, Any]) -> str:
    """One limit in words."""
    unit = symbol(limit["unit"])
    low, high = limit["low"], limit["high"]
    if low is not None and high is not None:
        what = f"{low:g} to {high:g} {unit}"
    else:
        what = f"at least {low:g} {unit}" if low is not None else f"at most {high:g} {unit}"
    bound = ", ".join(
        f"{value:g} {symbol(BOUND_UNITS[key])}" if key in BOUND_UNITS else f"{key} {value}"
        for key, value in limit["applies_at"].items()
    )
    verdict = limit["verdict"].replace("_", " ")
    return plain(f"{called(limit['quantity'])} {what}" + (f" ({bound})" if bound else "") + f": {verdict}")


def corrected_lines(data: dict[str, Any], columns: int) -> list[Line]:
    """The value at the product's reference temperature, or why there is none; the value as measured stands above."""
    corrected = data.get("corrected")
    if not corrected:
        return []
    at = f"corrected to {corrected['reference_celsius']:g} °C: "
    if corrected["value"] is None:
        return wrapped(plain(corrected["reason"]["text"]), columns, at + "no value, ", "dim")
    unit = symbol(data["unit"])
    said = with_unit(corrected["value"], data["unit"])
    if corrected["expanded"] is not None:
        said += f" ± {uncertain(corrected['expanded'])} {unit} (k = {corrected['k']:.2f})"
    how = f"{said}, as measured times {corrected['factor']:.4f}; the verdict is on the value as measured"
    return wrapped(how, columns, at)


def conditions_text(conditions: dict[str, Any]) -> str:
    """Speed, torque, shear and temperature of a value, as far as measured."""
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
