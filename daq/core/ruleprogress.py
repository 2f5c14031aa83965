"""Kinds of conditions, and the progress of one, as a screen shows it."""

from dataclasses import dataclass
from typing import Literal

RuleKind = Literal["above", "below", "between", "steady", "any", "all"]


@dataclass(frozen=True, slots=True)
class RuleProgress:
    """Progress of a condition."""

    rule: str
    """Name of the rule."""
    kind: RuleKind
    relative: bool
    """For ``steady``: whether value and limit are fractions of the mean."""
    signal: str
    value: float | None
    """Value of the signal; for ``steady`` the bound of the drift."""
    limit: float
    near: float
    """Progress from 0 to 1 (met)."""
    met: bool
