"""A temperature bath on Modbus."""

from simulators.bath.bath import Bath

__all__ = ["Bath"]
