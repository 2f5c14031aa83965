"""What came over a link since the daemon started, whatever exchange read it: the idle one's or a run's."""

from typing import Final

from daq.core.exchange import Exchange

COUNTED: Final = ("bytes", "lines", "readings", "rejected", "timeouts")


class LinkCounts:
    """Follows the exchanges of one link, one after the other."""

    def __init__(self) -> None:
        self._over = dict.fromkeys(COUNTED, 0)
        self._now: Exchange | None = None

    def follow(self, exchange: Exchange) -> None:
        """From now on `exchange` reads the link; what the one before counted is kept."""
        self._over, self._now = self.total(), exchange

    def total(self) -> dict[str, int]:
        """Counts by name (`COUNTED`); they never go down."""
        if self._now is None:
            return dict(self._over)
        framing, own = self._now.framer.counters, self._now.counters
        now = (framing.bytes, framing.lines, own.readings, own.rejected, own.timeouts)
        return {name: self._over[name] + count for name, count in zip(COUNTED, now, strict=True)}
