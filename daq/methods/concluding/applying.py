"""Find the reasons why a limit of the product does not apply to a value.

It applies to the methods it was set for with their choices, after a valid verification and a passed control, and at
its measuring geometry, vessel, speed, time and temperature.
"""

import math
from typing import TYPE_CHECKING, Final, NamedTuple

from daq.core.context import Amount, ProductLimit
from daq.core.errors import SettingError
from daq.core.faults import CHECKS, DECIMAL_LIMITS
from daq.core.units import UNITS, as_written, convert
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.standing import control_faults, control_statement, standing_faults, standing_statements

if TYPE_CHECKING:
    from daq.core.effects import Kept
    from daq.core.plan import Plan
    from daq.core.statistics import Summary

UNSOUND_BUT_MEASURED: Final = ("unsteady",)
"""Faults of a temperature that say nothing against its probe."""


class Subject(NamedTuple):
    """The value to judge, with its conditions."""

    plan: "Plan"
    quantity: str
    unit: str
    value: float | None
    row: KeptValue | None
    kept: "Kept | None"
    checks: int = CHECKS
    """Conditions are compared by the rules of this number: see `Facts.checks`."""


def hindrances(subject: Subject, limit: ProductLimit) -> list[Statement]:
    """Return why a limit does not apply to a value; empty where it does."""
    if limit.quantity != subject.quantity:
        # The other conditions of the limit do not matter then.
        return [state("limit_of_other_quantity", limited=limit.quantity, quantity=subject.quantity)]
    out = [*_unit(subject, limit), *_method(subject.plan, limit), *_verification(subject.plan)]
    out += _geometry(subject.plan, limit)
    if subject.row is not None:
        out += _speed_and_time(limit, subject.row, checks=subject.checks)
        out += _temperature(subject, limit)
    return out


def temperature_faults(plan: "Plan", quantity: str, kept: "Kept | None", *, checks: int = CHECKS) -> list[str]:
    """Return the faults of a result that follow from its temperature.

    The temperature matters where the method has a condition for it, or the product's limits of `quantity` apply at
    one.  The faults of a method's own condition are among those of the kept value.
    """
    if kept is None:
        return []
    product, has_condition = plan.context.product, bool(plan.conditioning.signal)
    limits = () if product is None else product.limits
    bound = [x for x in limits if x.quantity == quantity and x.temperature is not None]
    if not has_condition and not bound:
        return []
    out: list[str] = []
    if not has_condition:
        seen = _seen(plan, kept)
        if seen is None:
            out.append("limit_temperature_unknown")
        elif all(_off_band(seen, limit, checks=checks) is not None for limit in bound):
            out.append("off_limit_temperature")
    return [*out, "probe_suspect"] if suspicions(kept) else out


def suspicions(kept: "Kept") -> tuple[str, ...]:
    """Return the faults that speak against the temperature of a kept value, though it has a number."""
    return tuple(f for f in kept.temperature_faults if f not in UNSOUND_BUT_MEASURED and f != "no_temperature")


def _unit(subject: Subject, limit: ProductLimit) -> list[Statement]:
    unit = subject.unit
    if UNITS[limit.unit].dimension != (UNITS[unit].dimension if unit in UNITS else unit):
        return [state("limit_in_other_unit", limit_unit=limit.unit, unit=unit)]
    return []


def _method(plan: "Plan", limit: ProductLimit) -> list[Statement]:
    used = f"{plan.method} {plan.version}"
    if used not in limit.methods:
        return [state("limit_of_other_method", wanted=limit.methods, used=used)]
    context = plan.context
    out: list[Statement] = []
    for name, value in context.choices.items():
        wanted = limit.choices.get(name)
        if wanted is not None:
            is_other = not _same(wanted, value)
        else:
            # A limit that applies at a speed or a temperature admits any choice of it.
            admitted = {"speed": limit.speed is not None, "temperature": limit.temperature is not None, "other": False}
            is_other = not all(admitted[use] for use in context.choices_changed.get(name, ()))
        if is_other:
            out.append(state("limit_at_other_choice", choice=name, value=value.value, unit=value.unit))
    return out


def _same(wanted: Amount, value: Amount) -> bool:
    if not wanted.unit or not value.unit:
        return math.isclose(wanted.value, value.value, rel_tol=1e-9)
    try:
        return math.isclose(convert(wanted.value, wanted.unit, value.unit), value.value, rel_tol=1e-9)
    except SettingError:
        return False


def _verification(plan: "Plan") -> list[Statement]:
    found = [s for fault in standing_faults(plan) for s in standing_statements(plan.context, fault)]
    return found + [control_statement(plan.context, fault, plan.lead.name) for fault in control_faults(plan)]


def _geometry(plan: "Plan", limit: ProductLimit) -> list[Statement]:
    geometry = plan.context.geometry
    fitted, vessel = (None, None) if geometry is None else (geometry.name, geometry.vessel)
    out: list[Statement] = []
    if limit.geometry is not None and limit.geometry != fitted:
        out.append(state("limit_of_other_geometry", wanted=limit.geometry, fitted=fitted))
    if limit.vessel is not None and limit.vessel != vessel:
        out.append(state("limit_of_other_vessel", wanted=limit.vessel, used=vessel or None))
    return out


def _speed_and_time(limit: ProductLimit, row: KeptValue, *, checks: int) -> list[Statement]:
    out: list[Statement] = []
    speed, time = limit.speed, limit.time
    if speed is not None and (row.set_speed is None or not math.isclose(speed, row.set_speed, rel_tol=1e-6)):
        out.append(state("limit_at_other_speed", wanted=speed, speed=row.set_speed))
    # While a step goes on, its start is not among the facts, and the value is provisional.
    off = 0.0 if time is None or row.seconds is None else _written(abs(row.seconds - time / 1e9), checks=checks)
    if time is not None and off > limit.time_band / 1e9:
        out.append(state("limit_at_other_time", wanted=time / 1e9, taken=row.seconds))
    return out


def _temperature(subject: Subject, limit: ProductLimit) -> list[Statement]:
    wanted, kept = limit.temperature, subject.kept
    if wanted is None:
        return []
    seen = None if kept is None else _seen(subject.plan, kept)
    if seen is None or kept is None:
        return [state("limit_needs_temperature", wanted=wanted)]
    doubts = suspicions(kept)
    if doubts:
        return [state("limit_needs_sound_temperature", wanted=wanted, faults=doubts)]
    off = _off_band(seen, limit, checks=subject.checks)
    if off is None:
        return []
    return [state("limit_at_other_temperature", wanted=wanted, band=limit.temperature_band, temperature=off)]


def _seen(plan: "Plan", kept: "Kept") -> "Summary | None":
    """Return the temperature over the span; None where it is not known."""
    found = kept.summaries.get(plan.conditioning.signal or "temperature")
    return None if found is None or found.mean is None or "no_temperature" in kept.temperature_faults else found


def _off_band(seen: "Summary", limit: ProductLimit, *, checks: int) -> float | None:
    """Return the mean temperature if it is outside the limit's band, otherwise a reading that is; None without."""
    wanted = limit.temperature or 0.0
    found = (x for x in (seen.mean, seen.minimum, seen.maximum) if x is not None)
    return next((x for x in found if _written(abs(x - wanted), checks=checks) > limit.temperature_band), None)


def _written(value: float, *, checks: int) -> float:
    return value if checks < DECIMAL_LIMITS else as_written(value)
