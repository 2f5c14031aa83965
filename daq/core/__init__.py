"""The pure part of the daemon: bytes and times in, effects out.

No module of this package reads a clock, a port, a file or a random number.  Everything that is not deterministic
enters as a timestamped event (`daq.core.events`), so that a run can be computed again from its journal, bit for bit.
"""
