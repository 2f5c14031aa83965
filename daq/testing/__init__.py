"""Public tools to test drivers and methods: conformance kit, virtual time, instruments in memory, hostile lines."""

from daq.testing.apart import check_driver_apart
from daq.testing.bench import Bench, Simulator
from daq.testing.clock import VirtualClock
from daq.testing.conformance import assert_conforms, check_driver
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
from daq.testing.report import Finding, Report

__all__ = [
    "Bench",
    "Clean",
    "Cut",
    "Delayed",
    "DoubledEnds",
    "Finding",
    "FlippedBits",
    "Garbage",
    "Joined",
    "OneByteAtATime",
    "Report",
    "Simulator",
    "Transport",
    "VirtualClock",
    "assert_conforms",
    "check_driver",
    "check_driver_apart",
]
