"""A bench multimeter that speaks SCPI."""

from simulators.multimeter.multimeter import Multimeter

__all__ = ["Multimeter"]
