"""Instruments of three protocols: frames of bytes, text between STX and ETX with a block check, blocks of lines."""

from simulators.dialects.density import DensityMeter
from simulators.dialects.moisture import MoistureMeter
from simulators.dialects.terminal import WeighingTerminal

__all__ = ["DensityMeter", "MoistureMeter", "WeighingTerminal"]
