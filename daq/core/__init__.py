"""The pure heart of the daemon: bytes and times in, effects out.

Nothing in this package reads a clock, a port, a file or chance.  Whatever is
not deterministic enters as a timestamped event (`daq.core.events`), so that a
run can be computed again from its journal, bit for bit.
"""
