"""A length of a run: in time, in revolutions or in readings."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Extent:
    """A length in time (ns), in revolutions or, for the span of a kept value, in readings; at most one is given."""

    ns: int = 0
    revolutions: float = 0.0
    readings: int | None = None


NO_EXTENT = Extent()
