"""Names of the components of an uncertainty budget.  They have no parameters."""

from typing import Final

from daq.methods.sentences.kinds import Sentence, sentence

SENTENCES: Final[dict[str, Sentence]] = {
    "component_torque": sentence("torque"),
    "component_zero": sentence("zero"),
    "component_zero_drift": sentence("zero drift"),
    "component_resolution": sentence("resolution"),
    "component_geometry": sentence("geometry"),
    "component_speed": sentence("speed"),
    "component_temperature": sentence("temperature"),
    "component_temperature_curve": sentence("temperature curve"),
    "component_instrument": sentence("instrument"),
    "component_volume": sentence("volume"),
    "component_vane_ends": sentence("stress on the ends of the vane"),
    "component_end_factor": sentence("end factor of a shear-thinning fluid"),
    "component_scatter": sentence("scatter of readings (Type A)"),
    "component_scatter_of_fills": sentence("scatter between fills"),
    "component_ripple": sentence("ripple over a part of a turn"),
    "component_within_one_step": sentence("readings within one step of the resolution"),
    "component_reading_interval": sentence("interval of the readings"),
    "component_threshold_value": sentence("value at the threshold"),
}
