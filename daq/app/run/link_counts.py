"""Counters of a link since the daemon started, over all exchanges that read it: the idle one and those of runs."""

from typing import Final

from daq.core.exchange import Exchange

COUNTED: Final = ("bytes", "lines", "readings", "rejected", "timeouts")


class LinkCounts:
    """Adds up the counters of the exchanges that read one link, one after the other."""

    def __init__(self) -> None:
        self._before = dict.fromkeys(COUNTED, 0)
        self._now: Exchange | None = None

    def follow(self, exchange: Exchange) -> None:
        """Count from now on with `exchange`, which reads the link; earlier counts are kept."""
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
    rejected = own.rejected + framing.cut_off
    return dict(zip(COUNTED, (framing.bytes, framing.lines, own.readings, rejected, own.timeouts), strict=True))
