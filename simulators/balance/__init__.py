"""A laboratory balance with a print key."""

from simulators.balance.balance import Balance

__all__ = ["Balance"]
