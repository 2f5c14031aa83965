"""Signs of wall slip among the results of a sample: flow curves on two gaps of the same kind of measuring geometry."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from daq.core.faults import FAULTS
from daq.core.remarks import Parameter
from daq.core.units import convert
from daq.methods.parts.statement import Statement, state
from daq.rheology.cylinders import angular_speed, inner_stress, krieger_elrod_rate, local_slopes
from daq.rheology.elementary import ArgumentError
from daq.rheology.flowcurves.wallslip import GapComparison, GapCurve, compare_gaps

CYLINDERS: Final = "coaxial_cylinders"
PLATES: Final = "parallel_plates"
LEAST_POINTS: Final = 3
"""Fewest speeds of a curve: the correction of the rate needs a slope at each of them."""
LARGEST_DIFFERENCE_K: Final = 0.5
"""Largest difference of the temperatures of two curves that are compared.  Our choice, no source."""


@dataclass(frozen=True, slots=True)
class _Measured:
    """The flow curve of one result."""

    geometry: str
    kind: str
    temperature: float | None
    curve: GapCurve


def slip_signs(results: Sequence[dict[str, Any]]) -> tuple[Statement, ...]:
    """Return signs of wall slip, and pairs that cannot be compared, among results (`ResultData`) of one sample.

    Compared are results of one method with at least three speeds, on geometries of one kind with different gaps and at
    the same temperature.  A result without an uncertainty, or not complete, is left out.
    """
    groups: dict[tuple[Any, ...], list[_Measured]] = {}
    for data in results:
        found = _measured(data)
        if found is not None:
            method = data["method"]
            groups.setdefault((method["id"], method["version"], found.kind), []).append(found)
    out: list[Statement] = []
    for measured in groups.values():
        newest = {m.geometry: m for m in measured}
        for one, other in itertools.combinations(newest.values(), 2):
            narrow, wide = sorted((one, other), key=lambda m: m.curve.gap)
            if narrow.curve.gap < wide.curve.gap and _same_temperature(one, other):
                out += _statements(narrow, wide, compare_gaps(narrow.curve, wide.curve))
    return tuple(out)


def _same_temperature(a: _Measured, b: _Measured) -> bool:
    return (
        a.temperature is not None
        and b.temperature is not None
        and abs(a.temperature - b.temperature) <= LARGEST_DIFFERENCE_K
    )


def _statements(narrow: _Measured, wide: _Measured, found: GapComparison | None) -> list[Statement]:
    names: dict[str, Parameter] = {"narrow": narrow.geometry, "wide": wide.geometry}
    if found is None:
        return [state("no_common_stress", **names)]
    if found.verdict == "none":
        return []
    figures: dict[str, Parameter] = {
        "stress": found.stress,
        "difference": 100.0 * found.difference,
        "uncertainty": 100.0 * found.uncertainty,
        **names,
    }
    if found.verdict == "other":
        return [state("gaps_disagree", **figures)]
    return [state("wall_slip", slip_speed=1e3 * found.slip_speed, **figures)]


def _measured(data: dict[str, Any]) -> _Measured | None:
    geometry, uncertainty, value = data.get("geometry"), data.get("uncertainty"), data.get("value")
    if not geometry or not uncertainty or not value or data["validity"] == "not_valid" or data.get("verification"):
        return None
    expanded, k = uncertainty.get("expanded"), uncertainty.get("k")
    points = _points(data)
    if not expanded or not k or len(points) < LEAST_POINTS:
        return None
    try:
        curve = _curve(geometry, points, abs(expanded / k / value))
    except ArgumentError:  # the stress does not rise with the speed
        return None
    return None if curve is None else _Measured(geometry["name"], geometry["kind"], _temperature(data), curve)


def _points(data: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the last sound value of each speed, by rising speed."""
    sound = [
        s
        for s in data["steps"]
        if s["at"] == "end"
        and s["value"] is not None
        and all(s.get(key) for key in ("speed", "torque", "stress", "shear_rate"))
        and all(FAULTS[f].keeps_value for f in s["faults"])
    ]
    return [s for _, s in sorted({s["set_speed"] or s["speed"]: s for s in sound}.items())]


def _curve(geometry: dict[str, Any], points: Sequence[dict[str, Any]], relative_u: float) -> GapCurve | None:
    sizes = geometry["dimensions"]
    if geometry["kind"] == PLATES:
        # Both gaps have the same relation of rim and mean, so that it cancels.
        stresses = tuple(p["stress"] for p in points)
        return GapCurve(sizes["gap"] / 1e3, stresses, tuple(p["shear_rate"] for p in points), relative_u)
    if geometry["kind"] != CYLINDERS:
        return None
    inner, outer, length = (sizes[key] / 1e3 for key in ("inner_radius", "outer_radius", "length"))
    torques = [convert(p["torque"], "uN.m", "N.m") for p in points]
    omegas = [angular_speed(p["speed"]) for p in points]
    slopes = local_slopes(torques, omegas)
    rates = (
        krieger_elrod_rate(omega, float(slope), outer / inner) for omega, slope in zip(omegas, slopes, strict=True)
    )
    ends = sizes.get("end_factor") or 1.0
    return GapCurve(
        outer - inner, tuple(inner_stress(t, inner, length, ends) for t in torques), tuple(rates), relative_u
    )


def _temperature(data: dict[str, Any]) -> float | None:
    found: float | None = data["conditions"].get("temperature")
    return found
