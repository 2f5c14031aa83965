"""For tests of drivers and methods, ours and others': virtual time, an instrument in memory, and hostile lines."""

from daq.testing.bench import Bench, Simulator
from daq.testing.clock import VirtualClock
from daq.testing.hostile import (
    Clean,
    Cut,
    Delayed,
    DoubledEnds,
    FlippedBits,
    Garbage,
    Joined,
    OneByteAtATime,
    Transport,
)

__all__ = [
    "Bench",
    "Clean",
    "Cut",
    "Delayed",
    "DoubledEnds",
    "FlippedBits",
    "Garbage",
    "Joined",
    "OneByteAtATime",
    "Simulator",
    "Transport",
    "VirtualClock",
]
