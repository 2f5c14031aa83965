"""A rotational instrument with another line protocol, which computes a viscosity itself."""

from simulators.streaming_rotational.instrument import StreamingRotational

__all__ = ["StreamingRotational"]
