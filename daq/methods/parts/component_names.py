"""The components of an uncertainty budget: their English names, and the codes under which other languages name them."""

from collections.abc import Mapping
from typing import Final

SCATTER: Final = "scatter of readings (Type A)"
PART_OF_A_TURN: Final = "ripple over a part of a turn"
WITHIN_ONE_STEP: Final = "readings within one step of the resolution"

COMPONENT_CODES: Final[Mapping[str, str]] = {
    "torque": "component_torque",
    "zero": "component_zero",
    "zero drift": "component_zero_drift",
    "resolution": "component_resolution",
    "geometry": "component_geometry",
    "speed": "component_speed",
    "temperature": "component_temperature",
    "temperature curve": "component_temperature_curve",
    "instrument": "component_instrument",
    "volume": "component_volume",
    "stress on the ends of the vane": "component_vane_ends",
    "end factor of a shear-thinning fluid": "component_end_factor",
    SCATTER: "component_scatter",
    "scatter between fills": "component_scatter_of_fills",
    PART_OF_A_TURN: "component_ripple",
    WITHIN_ONE_STEP: "component_within_one_step",
    "interval of the readings": "component_reading_interval",
    "value at the threshold": "component_threshold_value",
}
"""Code by name.  `daq.methods.sentences.component_sentences` has the names of the codes."""
