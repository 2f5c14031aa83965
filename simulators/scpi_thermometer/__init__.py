"""A thermometer with two probes that speaks SCPI."""

from simulators.scpi_thermometer.thermometer import ScpiThermometer

__all__ = ["ScpiThermometer"]
