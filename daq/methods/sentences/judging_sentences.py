"""Reasons of a verdict, of a verification, and of a correction that was not made."""

from typing import Final

from daq.methods.sentences.kinds import (
    ALTERNATIVES,
    CELSIUS,
    COUNT,
    MEASURED_CELSIUS,
    NAME,
    PERCENT,
    SECONDS,
    SPEED,
    TERM,
    TERMS,
    UNIT,
    Kind,
    Sentence,
    measured,
    quantity,
    sentence,
)

_EDGE: Final[dict[str, Kind]] = {
    "value": measured(".6g", within="expanded"),
    "limit": measured(),
    "unit": UNIT,
    "expanded": measured(".2g"),
}

SENTENCES: Final[dict[str, Sentence]] = {
    "seek_shears": sentence(
        "a seek shears the sample while it looks for a speed: measure on a fresh fill, or with a method that declares "
        "a pre-shear and a rest"
    ),
    "no_limits": sentence("the product has no limits"),
    "no_value_to_compare": sentence("there is no number to compare"),
    "below_limit": sentence("{value}[ ± {expanded}] is below {limit}", **_EDGE),
    "above_limit": sentence("{value}[ ± {expanded}] is above {limit}", **_EDGE),
    "in_guard_band": sentence(
        "{value}[ ± {expanded}] is nearer to the limit {limit} than the guard band of {guard_band}: with its "
        "uncertainty it is neither within nor outside",
        guard_band=measured(".3g"), **_EDGE,
    ),
    "guard_without_interval": sentence(
        "the product asks for guard bands, and the value has no uncertainty interval"
    ),
    "guard_bands_leave_nothing": sentence(
        "guard bands of {guard_band} leave no value between the limits that would be within: measure with a smaller "
        "uncertainty",
        guard_band=measured(".3g"), unit=UNIT,
    ),
    "limit_of_other_quantity": sentence(
        "the limit is for {limited}, the result is {quantity}", limited=TERM, quantity=TERM
    ),
    "limit_in_other_unit": sentence("the limit is in {limit_unit}, the result in {unit}", limit_unit=UNIT, unit=UNIT),
    "limit_of_other_method": sentence(
        "the limit was set for the method {wanted}[, measured with {used}]", wanted=ALTERNATIVES, used=NAME
    ),
    "limit_at_other_choice": sentence(
        "the limit was set for another {choice} than {value}", choice=NAME, value=measured(), unit=UNIT
    ),
    "limit_of_other_geometry": sentence(
        "the limit applies to the measuring geometry {wanted}[, measured with {fitted}]", wanted=NAME, fitted=NAME
    ),
    "limit_of_other_vessel": sentence(
        "the limit applies to the vessel {wanted}[, measured with {used}]", wanted=NAME, used=NAME
    ),
    "limit_at_other_speed": sentence(
        "the limit applies at {wanted}[, measured at {speed}]", wanted=SPEED, speed=SPEED
    ),
    "limit_at_other_time": sentence(
        "the limit applies to the value after {wanted}, taken after {taken}", wanted=SECONDS, taken=quantity("s", "g")
    ),
    "limit_needs_temperature": sentence(
        "the limit applies at {wanted}, and no temperature was measured", wanted=CELSIUS
    ),
    "limit_needs_sound_temperature": sentence(
        "the limit applies at {wanted}, and the temperature is in doubt ({faults})", wanted=CELSIUS, faults=TERMS
    ),
    "limit_at_other_temperature": sentence(
        "the limit applies at {wanted#} ± {band}, measured at {temperature}",
        wanted=CELSIUS, band=CELSIUS, temperature=MEASURED_CELSIUS,
    ),
    "level_without_value": sentence("step {step}: there is no value", step=NAME),
    "level_without_temperature": sentence("step {step}: no temperature was measured", step=NAME),
    "level_outside_certificate": sentence(
        "step {step}: {temperature} is outside the certificate's table ({low#} to {high})",
        step=NAME, temperature=quantity("Cel", "g"), low=CELSIUS, high=CELSIUS,
    ),
    "level_without_full_scale": sentence(
        "step {step}: measuring geometry, full-scale torque or speed is not known, so there is no acceptance band",
        step=NAME,
    ),
    "level_doubtful": sentence("step {step}: the value is doubtful ({faults})", step=NAME, faults=TERMS),
    "level_outside": sentence(
        "step {step}: {value}[ ± {expanded}] is outside {low#} to {high}, which the certificate allows ({deviation}"
        "[ ± {percent}])",
        step=NAME, value=measured(".6g", within="expanded"), low=measured(".6g"), high=measured(".6g"), unit=UNIT,
        deviation=quantity("%", "+.2f", within="percent"), expanded=measured(".2g"), percent=quantity("%", ".2g"),
    ),
    "verification_doubtful": sentence("the run does not make a verification: it is in doubt ({faults})", faults=TERMS),
    "too_few_levels": sentence(
        "judged at {judged} of {wanted} torques that are at least {apart} of full scale apart",
        judged=COUNT, wanted=COUNT, apart=PERCENT,
    ),
    "control_outside": sentence(
        "step {step}: {value}[ ± {expanded}] is outside the control limits {low#} to {high}",
        step=NAME, value=measured(".6g", within="expanded"), low=measured(".6g"), high=measured(".6g"), unit=UNIT,
        expanded=measured(".2g"),
    ),
    "control_without_limits": sentence(
        "there are no control limits of {fluid} lot {lot} for this measuring geometry with its serial "
        "number and this method: fix the limits of the control chart for it. The assigned value of the fluid's file "
        "counts where no limits were fixed",
        fluid=NAME, lot=NAME,
    ),
    "control_without_value": sentence("the control has no value"),
    "control_doubtful": sentence("the value of the control is doubtful ({faults})", faults=TERMS),
    "control_not_complete": sentence("the run of the control is not complete"),
    "dry_content_without_density": sentence("there is no density that can be believed"),
    "dry_content_not_possible": sentence(
        "a density of {density} is not between that of water at {temperature} and that of the solid, {solid_density}: "
        "check the density of the solid in the product's file, and the slip for air",
        density=quantity("kg/m3", ".5g"), temperature=quantity("Cel", "g"), solid_density=quantity("kg/m3", ".5g"),
    ),
    "correction_without_temperature": sentence("there is no value, or no temperature of it"),
    "correction_needs_sound_temperature": sentence("the temperature is in doubt ({faults})", faults=TERMS),
    "correction_without_viscosity": sentence("a viscosity that is not above 0 cannot be corrected"),
    "curve_of_other_geometry": sentence(
        "the product's temperature curve holds for {wanted}[, measured with {fitted}]", wanted=NAME, fitted=NAME
    ),
    "curve_at_other_speed": sentence(
        "the product's temperature curve holds at {wanted}[, measured at {speed}]", wanted=SPEED, speed=SPEED
    ),
    "outside_temperature_curve": sentence(
        "{temperature} is outside the range of the product's temperature curve ({low#} to {high})",
        temperature=quantity("Cel", "g"), low=CELSIUS, high=CELSIUS,
    ),
}  # fmt: skip
