"""The helpers of all laboratories."""

from tests.support.laboratories import FixedClock, any_ids, at, audited, laboratory, staffed, switch_people

__all__ = ["FixedClock", "any_ids", "at", "audited", "laboratory", "staffed", "switch_people"]
