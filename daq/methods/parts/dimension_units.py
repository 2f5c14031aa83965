"""Units of the dimensions of a measuring geometry."""

from typing import Final

DIMENSION_UNITS: Final = {"angle": "deg", "end_factor": "1", "at_speed": "/min"}
"""UCUM code of each dimension of a geometry that is no length; lengths are in mm."""
