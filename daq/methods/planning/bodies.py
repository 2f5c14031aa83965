"""From the geometry of an instrument's file to its constants and to what a result says of it."""

import math
from collections.abc import Mapping
from typing import Final

from daq.core.context import Amount, GeometryConstants, MeasuringGeometry
from daq.core.units import convert
from daq.methods.files import fields
from daq.methods.files import instrument as files
from daq.methods.parts.statement import statement_of
from daq.rheology import geometry as flow

COMMON: Final = ("kind", "title", "stirrup", "vessel", "fill_volume", "immersion")
"""Keys of a geometry that are no dimensions."""


def flow_geometry(body: files.Geometry, full_scale_unm: float | None) -> flow.Geometry | None:
    """The geometry with its constants, lengths in m; None for calibrated constants without a full-scale torque."""
    if isinstance(body, files.CoaxialCylinders):
        return flow.CoaxialCylinders(
            body.inner_radius / 1000, body.outer_radius / 1000, body.length / 1000, body.end_factor
        )
    if isinstance(body, files.SingleCylinder):
        vessel = None if body.vessel_radius is None else body.vessel_radius / 1000
        return flow.SingleCylinder(body.radius / 1000, body.length / 1000, body.end_factor, vessel)
    if isinstance(body, files.ConeAndPlate):
        return flow.ConePlate(body.radius / 1000, math.radians(body.angle))
    if isinstance(body, files.ParallelPlates):
        return flow.ParallelPlates(body.radius / 1000, body.gap / 1000)
    if isinstance(body, files.Disc):
        return flow.Disc(body.radius / 1000)
    if isinstance(body, files.Vane):
        return flow.Vane(body.diameter / 1000, body.height / 1000)
    if full_scale_unm is None:
        return None
    viscosity = body.full_scale_viscosity.in_unit("Pa.s")
    omega = convert(body.at_speed, "/min", "rad/s")
    return flow.CalibratedConstants(viscosity * omega / (full_scale_unm * 1e-6))


def described(name: str, body: files.Geometry, constants: flow.Geometry) -> MeasuringGeometry:
    """Return the geometry as a plan carries it, with its dimensions (mm, degrees) and constants (SI)."""
    sizes = {key: getattr(body, key) for key in type(body).model_fields if key not in COMMON}
    return MeasuringGeometry(
        name=name,
        kind=body.kind,
        dimensions={k: Amount(v.value, v.unit) if isinstance(v, fields.Amount) else v for k, v in sizes.items()},
        stirrup=body.stirrup,
        vessel=body.vessel,
        fill_volume_ml=body.fill_volume,
        immersion=body.immersion,
        stress_per_torque=constants.stress_per_torque,
        rate_per_omega=constants.rate_per_omega,
        viscosity_constant=constants.viscosity_constant,
        limits_of_use=tuple(statement_of(r).written() for r in flow.limits_of_use(constants)),
    )


def constants_of(
    geometries: Mapping[str, files.Geometry], full_scale_unm: float | None
) -> dict[str, GeometryConstants]:
    """Return the constants of all geometries of an instrument that measure a viscosity, by name."""
    found = {name: flow_geometry(body, full_scale_unm) for name, body in geometries.items()}
    return {
        name: GeometryConstants(g.viscosity_constant, g.rate_per_omega)
        for name, g in found.items()
        if g is not None and g.viscosity_constant is not None
    }
