"""Cautions that a reader of the value must know: of the flow, the instrument, and the measuring geometry."""

from typing import Final

from daq.methods.sentences.kinds import (
    COUNT,
    NAME,
    NAMES,
    TERM,
    TORQUE,
    UNIT,
    Sentence,
    measured,
    number,
    quantity,
    sentence,
)

_DRIFT: Final = quantity("%", "+.1f")

SENTENCES: Final[dict[str, Sentence]] = {
    "own_value_differs": sentence(
        "the instrument's own viscosity, {own}, differs by {deviation} from the one computed here, more than the "
        "{allowed} that measuring geometry and display allow: check geometry, factor and unit",
        own=measured(".4g"), unit=UNIT, deviation=quantity("%", "+.1f"), allowed=quantity("%", ".2g"),
    ),
    "near_vortices": sentence(
        "Taylor vortices: the flow is at {part} of their onset[, with a density of {assumed_density} (water) assumed]"
        "[; the criterion is that of long cylinders, and uncertain at a radius ratio of {radius_ratio}]; vortices make "
        "the value too high: compare with a lower speed",
        part=quantity("%", ".0f"), assumed_density=quantity("kg/m3"), radius_ratio=number(".3g"),
    ),
    "heating": sentence("shearing heats the sample by up to {rise} (estimate)", rise=quantity("K", ".2g")),
    "heating_changes_value": sentence(
        "shearing heats the sample by up to {rise} (estimate), which changes the value by up to {change}; shear for a "
        "shorter time, or slower",
        rise=quantity("K", ".2g"), change=quantity("%", "+.1f"),
    ),
    "still_changing": sentence(
        "the value was still changing by {rate} per minute: it is the value at this time",
        rate=measured("+.2g"), unit=UNIT,
    ),
    "drift_shows_thixotropy": sentence(
        "the value changed by {drift} at one speed and was back after the pre-shear: a sign of thixotropy", drift=_DRIFT
    ),
    "drift_shows_settling": sentence(
        "the value fell by {drift} at one speed and was back only after stirring: a sign of settling, so that "
        "particles leave the gap; measure sooner after stirring",
        drift=_DRIFT,
    ),
    "drift_shows_drying": sentence(
        "the value rose by {drift} at one speed and was back only after stirring: a sign of drying at the surface or "
        "of sediment at the rotor; cover the sample, measure sooner after stirring",
        drift=_DRIFT,
    ),
    "drift_does_not_return": sentence(
        "the value changed by {drift} at one speed and was not back after stirring: water was lost from all of the "
        "sample, or it reacts or warms up",
        drift=_DRIFT,
    ),
    "drift_not_separated": sentence(
        "the value changed by {drift} at one speed, and the steps do not separate thixotropy from settling or drying: "
        "measure once after another pre-shear and once after stirring",
        drift=_DRIFT,
    ),
    "torque_at_rest_unexplained": sentence(
        "the torque at rest before the run was {torque} of full scale: the zero may be off, or the sample holds a "
        "torque; check the zero with nothing attached",
        torque=TORQUE,
    ),
    "called_unsteady": sentence("the instrument called the value unsteady: it is the value at this time"),
    "selected_by_threshold": sentence(
        "the step ended at {rule} ({signal}[, {unit}]): the value was selected by this threshold, not by time",
        rule=NAME, signal=TERM, unit=UNIT,
    ),
    "clock_stepped": sentence(
        "the clock of the computer was set by {step} during the run[ ({count} changes, the largest)]; start and end "
        "are by the clock as it was at the start",
        step=quantity("s", "+.1f"), count=COUNT,
    ),
    "clock_not_synchronised": sentence(
        "the clock of the computer is not synchronised with a time source, so the times of this result may be wrong"
    ),
    "identity_not_asked": sentence(
        "identity not asked: {instruments} cannot be asked for a serial number", instruments=NAMES
    ),
    "wide_gap": sentence(
        "radius ratio {radius_ratio} is above {limit}: representative values of a fluid that is not Newtonian depend "
        "on the gap; correct the rate with the flow behaviour index",
        radius_ratio=number(".3f"), limit=number(),
    ),
    "short_cylinder": sentence(
        "the length is {length} inner radii, below {limit}: the ends matter", length=number(".2f"), limit=number()
    ),
    "unbounded_vessel": sentence(
        "vessel taken as unbounded: its wall adds 1 % to a Newtonian torque at ten radii, 12.5 % at three"
    ),
    "vessel_wall": sentence(
        "the vessel's wall raises a Newtonian torque by {excess}; it is allowed for, but for other fluids the effect "
        "differs: compare only in the same vessel",
        excess=quantity("%", ".1f"),
    ),
    "steep_cone": sentence(
        "cone angle {angle}° is above {limit}°: the rate is not uniform", angle=number(".2f"), limit=number()
    ),
    "rate_varies_with_radius": sentence(
        "the rate varies from centre to rim: correct a series of a fluid that is not Newtonian at the rim"
    ),
    "no_shear_rate": sentence(
        "apparent viscosity: no shear rate is defined; compare only with the same measuring geometry, vessel and speed"
    ),
    "uniform_stress_assumed": sentence("yield stress with uniform stress on the end faces assumed"),
}  # fmt: skip
