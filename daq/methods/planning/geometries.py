"""Constants of a measuring geometry of an instrument's file, and its description in a plan."""

import math
from collections.abc import Mapping
from typing import Final

from daq.core.context import Amount, GeometryConstants, MeasuringGeometry
from daq.core.units import convert
from daq.methods.files import fields
from daq.methods.files import instrument as files
from daq.methods.parts.statement import statement_of
from daq.rheology import geometry as flow

COMMON: Final = ("kind", "title", "serial", "stirrup", "vessel", "fill_volume", "immersion")
"""Keys of a geometry in the file that are no dimensions."""


def flow_geometry(given: files.Geometry, full_scale_unm: float | None) -> flow.Geometry | None:
    """Return the geometry with its constants; None for calibrated constants without a full-scale torque.

    Args:
        given: the geometry of the file, lengths in mm, angles in degrees; the result has m and rad.
        full_scale_unm: full-scale torque in µN·m.
    """
    if isinstance(given, files.CoaxialCylinders):
        return flow.CoaxialCylinders(
            given.inner_radius / 1000, given.outer_radius / 1000, given.length / 1000, given.end_factor
        )
    if isinstance(given, files.SingleCylinder):
        vessel = None if given.vessel_radius is None else given.vessel_radius / 1000
        return flow.SingleCylinder(given.radius / 1000, given.length / 1000, given.end_factor, vessel)
    if isinstance(given, files.ConeAndPlate):
        return flow.ConePlate(given.radius / 1000, math.radians(given.angle))
    if isinstance(given, files.ParallelPlates):
        return flow.ParallelPlates(given.radius / 1000, given.gap / 1000)
    if isinstance(given, files.Disc):
        return flow.Disc(given.radius / 1000)
    if isinstance(given, files.Vane):
        return flow.Vane(given.diameter / 1000, given.height / 1000)
    if full_scale_unm is None:
        return None
    viscosity = given.full_scale_viscosity.in_unit("Pa.s")
    omega = convert(given.at_speed, "/min", "rad/s")
    return flow.CalibratedConstants(viscosity * omega / (full_scale_unm * 1e-6))


def described(name: str, given: files.Geometry, constants: flow.Geometry) -> MeasuringGeometry:
    """Return the geometry as a plan carries it, with its dimensions (mm, degrees) and constants (SI)."""
    sizes = {key: getattr(given, key) for key in type(given).model_fields if key not in COMMON}
    return MeasuringGeometry(
        name=name,
        kind=given.kind,
        dimensions={k: Amount(v.value, v.unit) if isinstance(v, fields.Amount) else v for k, v in sizes.items()},
        serial=given.serial or "",
        stirrup=given.stirrup,
        vessel=given.vessel,
        fill_volume_ml=given.fill_volume,
        immersion=given.immersion,
        stress_per_torque=constants.stress_per_torque,
        rate_per_omega=constants.rate_per_omega,
        viscosity_constant=constants.viscosity_constant,
        limits_of_use=tuple(statement_of(r).written() for r in flow.limits_of_use(constants)),
    )


def constants_of(
    geometries: Mapping[str, files.Geometry], full_scale_unm: float | None
) -> dict[str, GeometryConstants]:
    """Return the constants of all geometries of an instrument that measure a viscosity, by name."""
    found = {name: flow_geometry(given, full_scale_unm) for name, given in geometries.items()}
    return {
        name: GeometryConstants(g.viscosity_constant, g.rate_per_omega)
        for name, g in found.items()
        if g is not None and g.viscosity_constant is not None
    }
