"""Counters of one connection."""

from dataclasses import dataclass, field
from typing import Any, Final

from daq.core.framing import FramingCounters

MOST_REASONS: Final = 100
"""Greatest number of reasons for rejected lines that are counted separately.  A bound is needed because a driver may
put the rejected line into the reason."""
CUT_OFF: Final = "cut off"
"""Reason of lines that the framer discards after a pause inside them."""


@dataclass(slots=True)
class ExchangeCounters:
    """Counts since the exchange was made."""

    readings: int = 0
    rejected: int = 0
    timeouts: int = 0
    late: int = 0
    unexpected: int = 0
    given_up: int = 0
    wrong_echo: int = 0
    """Requests whose echo was not what was sent, for an instrument that echoes."""
    reasons: dict[str, int] = field(default_factory=dict)
    """Rejected lines by reason."""

    def reject(self, reason: str) -> None:
        """Count a rejected line under its reason."""
        self.rejected += 1
        if reason not in self.reasons and len(self.reasons) >= MOST_REASONS:
            reason = "other reasons"
        self.reasons[reason] = self.reasons.get(reason, 0) + 1

    def report(self, framing: FramingCounters) -> dict[str, Any]:
        """Return all counts, including those of the framer, as JSON values."""
        return {
            "bytes": framing.bytes,
            "lines": framing.lines,
            "too_long": framing.too_long,
            "idle_cut": framing.idle_cut,
            "readings": self.readings,
            "rejected": dict(sorted(self.reasons.items())) | ({CUT_OFF: framing.cut_off} if framing.cut_off else {}),
            "timeouts": self.timeouts,
            "late": self.late,
            "unexpected": self.unexpected,
            "given_up": self.given_up,
            "skipped": framing.skipped,
            "wrong_echo": self.wrong_echo,
        }
