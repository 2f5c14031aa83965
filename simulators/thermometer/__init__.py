"""A small external thermometer that streams its temperature."""

from simulators.thermometer.thermometer import Thermometer

__all__ = ["Thermometer"]
