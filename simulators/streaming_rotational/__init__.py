"""A rotational instrument of quite another dialect, which computes a viscosity itself."""

from simulators.streaming_rotational.instrument import StreamingRotational

__all__ = ["StreamingRotational"]
