"""A pH meter that streams."""

from simulators.ph_meter.meter import PhMeter

__all__ = ["PhMeter"]
