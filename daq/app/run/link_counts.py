"""What came over a link since the daemon started, whatever exchange read it: the idle one's or a run's."""

from typing import Final

from daq.core.exchange import Exchange

COUNTED: Final = ("bytes", "lines", "readings", "rejected", "timeouts")


class LinkCounts:
    """Follows the exchanges of one link, one after the other."""

    def __init__(self) -> None:
        self._before = dict.fromkeys(COUNTED, 0)
        self._now: Exchange | None = None

    def follow(self, exchange: Exchange) -> None:
        """From now on `exchange` reads the link; what was counted before is kept."""
        total, own = self.total(), _counts(exchange)
        self._before = {name: total[name] - own[name] for name in COUNTED}
        self._now = exchange

    def total(self) -> dict[str, int]:
        """Return the counts by name (`COUNTED`); they never go down."""
        if self._now is None:
            return dict(self._before)
        own = _counts(self._now)
        return {name: self._before[name] + own[name] for name in COUNTED}


def _counts(exchange: Exchange) -> dict[str, int]:
    framing, own = exchange.framer.counters, exchange.counters
    return dict(zip(COUNTED, (framing.bytes, framing.lines, own.readings, own.rejected, own.timeouts), strict=True))
