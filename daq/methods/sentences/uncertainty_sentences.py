"""Contributions that an uncertainty budget does not contain, and why a value has no interval."""

from typing import Final

from daq.methods.sentences.kinds import CELSIUS, COUNT, PERCENT, TERM, Sentence, number, quantity, sentence

_REST: Final = quantity("%", ".2f")

SENTENCES: Final[dict[str, Sentence]] = {
    "share_without_torque": sentence("instrument: without a torque above zero its share cannot be given"),
    "contained_in_torque": sentence(
        "{component}: contained in the maximum permissible error of the torque", component=TERM
    ),
    "not_specified": sentence("{component}: not in the instrument's specification", component=TERM),
    "error_not_specified": sentence(
        "instrument: its specification states no maximum permissible error of {signal}", signal=TERM
    ),
    "temperature_effect_unknown": sentence(
        "temperature: neither product nor certificate states how the viscosity changes with it"
    ),
    "zero_beyond_limit": sentence(
        "zero: {zero} at rest is more than the limit of {limit}; it is taken instead", zero=_REST, limit=PERCENT
    ),
    "zero_beyond_torque_error": sentence(
        "zero: {zero} at rest is beyond the maximum permissible error of the torque, {limit}; it counts besides: "
        "take the zero again",
        zero=_REST, limit=PERCENT,
    ),
    "zero_not_seen": sentence("zero: the torque was not seen at rest before the motor turned"),
    "zero_drift_not_seen": sentence("zero drift: no other torque at rest to compare with"),
    "volume_not_specified": sentence("volume: the instrument's file states no limit of it"),
    "buoyancy_not_corrected": sentence(
        "buoyancy of the air: not corrected; a density weighed in air reads about {low_by} low",
        low_by=quantity("g/mL"),
    ),
    "threshold_on_other_signal": sentence(
        "value at the threshold: the event is not on {signal}, or the value does not move", signal=TERM
    ),
    "solid_density_error_unknown": sentence("density of the solid: the product's file states no error of it"),
    "dry_content_at_room_temperature": sentence(
        "temperature of the slip: not measured; the density of water at {temperature} ± {band} is taken",
        temperature=CELSIUS, band=quantity("K"),
    ),
    "too_few_effective_readings": sentence(
        "the {readings} readings of the span may follow one another so closely that they are worth {effective} "
        "independent ones; at least {needed} are needed: take more readings, or a longer span",
        readings=COUNT, effective=number(".1f"), needed=number(),
    ),
    "no_contribution_known": sentence("no contribution to the uncertainty is known"),
    "end_factor_of_newtonian_fluid": sentence(
        "end factor: it holds for a Newtonian fluid, and the product states no flow behaviour index"
    ),
    "value_without_uncertainty": sentence("the value as measured has no uncertainty"),
    "curve_uncertainty_unknown": sentence("temperature curve: the product does not state its uncertainty"),
}  # fmt: skip
