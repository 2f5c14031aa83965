"""Counters of a link over its exchanges: a line that was cut off counts as rejected."""

from daq.app.run.link_counts import LinkCounts
from daq.core.framing import Framing
from tests.support.runs.exchange_link import MS, Link
from tests.support.runs.scripts import Plain


class Paused(Plain):
    framing = Framing(terminator=b"\n", longest=40, longest_pause_ns=100 * MS)


def test_lines_that_were_cut_off_are_rejected_ones_over_all_exchanges_of_a_link():
    counts = LinkCounts()
    for times in (1, 2):
        link = Link(Paused({}))
        counts.follow(link.exchange)
        list(link.exchange.receive(0, b"r 1 2"))
        list(link.exchange.receive(500 * MS, b"1 3\nr 4 5 6\n?\n"))
        # The end of the line that was cut off is none of the two lines; `?` is not understood.
        found = counts.total()
        assert (found["lines"], found["readings"], found["rejected"]) == (2 * times, times, 2 * times)
