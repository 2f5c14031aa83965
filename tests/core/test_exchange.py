"""The exchange: one request at a time, time-outs, retries, late and unexpected answers, grid of polls, silence."""

import pytest

from daq.core.driver import Reject, Reply, Request
from daq.core.exchange import NEVER
from daq.core.exchangecounters import MOST_REASONS
from daq.core.framing import Framing
from tests.support.runs.exchange_link import MS, Link
from tests.support.runs.scripts import Plain, Polled, S


def test_requests_go_one_at_a_time_and_in_order_and_a_stop_before_all():
    link = Link()
    for action in ("speed", "turn", "bath"):
        link.ask(0, action)
    assert link.sent == [b"speed"]
    link.ask(1, "halt", first=True)
    assert link.sent == [b"speed"]
    assert link.receive(2, b"ok speed") == [Reply("speed")]
    assert link.sent == [b"speed", b"halt"]
    link.receive(3, b"ok halt")
    link.receive(4, b"ok turn")
    assert link.sent == [b"speed", b"halt", b"turn", b"bath"]
    assert link.exchange.busy
    link.receive(5, b"ok bath")
    assert not link.exchange.busy


def test_the_time_out_counts_from_when_the_bytes_went_out():
    link = Link()
    link.ask(0, "turn")
    assert link.exchange.wake_at == 500 * MS
    link.exchange.sent(30 * MS)
    assert link.exchange.wake_at == 530 * MS


def test_an_answer_that_does_not_come_is_waited_for_and_asked_again_three_times_in_all():
    link = Link()
    link.ask(0, "turn")
    link.until(10_000)
    # 0; time-out at 500, a pause to 750; and again.
    assert link.sent == [b"turn"] * 3
    assert link.failed == [("turn", "no answer")]
    link.counted(timeouts=3, given_up=1)


def test_each_request_has_its_own_tries():
    link = Link()
    link.exchange.start_polling(0)
    link.until(5_000)  # polls that are not answered
    link.exchange.stop_polling()
    link.receive(5_001, b"r 1 2 3")
    count = len(link.sent)
    link.ask(6_000, "halt")
    link.until(20_000)
    assert link.sent[count:] == [b"halt"] * 3


def test_a_stop_in_between_does_not_take_the_tries_of_what_was_under_way():
    link = Link()
    link.ask(0, "turn")
    link.until(500)
    link.ask(600, "halt", first=True)
    link.until(60_000)
    assert link.sent == [b"turn"] + [b"halt"] * 3 + [b"turn"] * 2


def test_a_request_outstanding_at_a_stop_is_not_sent_again():
    link = Link()
    link.ask(0, "turn")
    link.ask(0, "speed")
    link.exchange.drop_queue()
    link.ask(1, "halt", first=True)
    link.until(60_000)
    assert link.sent == [b"turn"] + [b"halt"] * 3
    assert link.failed == [("turn", "no answer"), ("halt", "no answer")]


def test_an_answer_after_the_time_out_is_not_taken_for_the_next_one():
    link = Link()
    link.exchange.start_polling(0)
    assert link.sent == [b"read"]
    link.until(300)  # time-out of the poll; the next waits for 450
    assert link.receive(320, b"r 1 2 3") == []
    assert link.sent == [b"read"]
    link.until(460)
    assert link.sent == [b"read"] * 2
    assert link.receive(470, b"r 4 5 6") == [(4.0, 5.0, 6.0)]
    link.counted(timeouts=1, late=1, readings=1)


def test_an_answer_to_the_first_try_settles_the_second_and_the_next_one_is_not_wanted():
    link = Link()
    link.ask(0, "turn")
    link.until(760)
    assert link.sent == [b"turn"] * 2
    assert link.receive(770, b"ok turn") == [Reply("turn")]
    assert link.receive(780, b"ok turn") == []
    link.counted(unexpected=1)
    assert link.failed == []


def test_an_answer_of_another_kind_settles_nothing():
    link = Link()
    link.ask(0, "turn")
    assert link.receive(1, b"ok halt", b"r 1 2 3", b"rubbish") == []
    link.counted(unexpected=1, late=1, rejected={"unknown line": 1})
    assert link.receive(2, b"ok turn") == [Reply("turn")]


def test_a_refusal_belongs_to_what_is_under_way_and_the_next_waits_a_moment():
    link = Link()
    link.ask(0, "turn")
    link.ask(0, "speed")
    assert link.receive(10, b"no way") == []
    assert link.failed == [("turn", "way")]
    assert link.sent == [b"turn"]
    link.until(259)
    assert link.sent == [b"turn"]
    link.until(260)
    assert link.sent == [b"turn", b"speed"]
    link.receive(270, b"ok speed")
    assert link.receive(280, b"no reason") == []
    link.counted(unexpected=1)


def test_a_poll_that_is_refused_is_followed_by_the_next():
    link = Link()
    link.exchange.start_polling(0)
    link.receive(10, b"no values yet")
    assert link.failed == [("reading", "values yet")]
    link.until(200)
    assert link.sent == [b"read"] * 2


def test_polls_keep_to_their_grid_however_late_one_is():
    link = Link()
    sent_at = []
    link.exchange.send = lambda _l, _d: sent_at.append(link.now)
    link.exchange.start_polling(0)
    for answer_after in (5, 5, 150, 5, 5):
        link.now = sent_at[-1] + answer_after
        count = len(sent_at)
        link.receive(link.now, b"r %d 2 3" % link.now)
        if len(sent_at) == count:
            link.now = link.exchange.wake_at // MS
            link.exchange.tick(link.now * MS)
    assert sent_at == [0, 100, 200, 350, 400, 500]


def test_a_poll_goes_behind_what_was_asked_for():
    link = Link()
    link.exchange.start_polling(0)
    link.ask(1, "halt")
    link.receive(150, b"r 1 2 3")
    assert link.sent == [b"read", b"halt"]
    link.receive(160, b"ok halt")
    assert link.sent == [b"read", b"halt", b"read"]


def test_the_interval_may_be_slower_than_the_drivers():
    link = Link(interval_ms=1000)
    link.exchange.start_polling(0)
    link.receive(5, b"r 1 2 3")
    link.until(999)
    assert link.sent == [b"read"]
    link.until(1000)
    assert link.sent == [b"read"] * 2
    assert link.exchange.stale_after_ns == 3 * S
    assert Link(interval_ms=5000).exchange.stale_after_ns == 15 * S


def test_a_doubled_answer_is_one_reading():
    link = Link()
    link.exchange.start_polling(0)
    assert link.receive(5, b"r 1 2 3", b"r 1 2 3") == [(1.0, 2.0, 3.0)]
    link.counted(readings=1, late=1)


def test_silence_is_noticed_once_and_ends_with_a_reading():
    link = Link(Plain({}))
    link.exchange.start_polling(0)
    link.until(2999)
    assert not link.exchange.silent
    link.until(3000)
    assert link.exchange.silent
    assert link.exchange.wake_at == NEVER
    link.receive(4000, b"rubbish", b"ok halt")
    assert link.exchange.silent
    link.receive(4100, b"r 1 2 3")
    assert not link.exchange.silent
    assert link.exchange.wake_at == 7100 * MS


def test_nothing_is_sent_on_a_link_that_is_down_and_nothing_is_left_of_before():
    link = Link()
    link.ask(0, "turn")
    link.ask(0, "speed")
    assert list(link.exchange.receive(1 * MS, b"r 5")) == []
    link.exchange.link_down()
    assert not link.exchange.busy
    link.exchange.link_up(10 * MS)
    assert link.sent == [b"turn"]
    assert link.receive(11, b"0 2 3", b"ok turn") == []
    link.counted(rejected={"unknown line": 1}, unexpected=1)


def test_a_stream_is_started_and_is_read_whole():
    class Stream(Plain):
        def start_stream(self):
            return Request(b"go\n", "stream")

    link = Link(Stream({}))
    link.exchange.start_polling(0)
    assert link.sent == [b"go"]
    found = link.receive(1, b"ok stream", b"r 1 2 3", b"r 4 5 6")
    assert found == [Reply("stream"), (1.0, 2.0, 3.0), (4.0, 5.0, 6.0)]
    assert link.receive(2, *[b"r 1 2 3"] * 20) == [(1.0, 2.0, 3.0)] * 20
    link.counted(readings=22, lines=23)


def test_a_stream_that_does_not_start_is_started_again_and_given_up():
    class Stream(Plain):
        def start_stream(self):
            return Request(b"go\n", "stream")

    link = Link(Stream({}))
    link.exchange.start_polling(0)
    link.until(2_900)
    assert link.sent == [b"go"] * 3
    assert link.failed == [("stream", "no answer")]


def test_the_report_counts_lines_that_were_cut_off_as_rejected():
    class Paused(Plain):
        framing = Framing(terminator=b"\n", longest=40, longest_pause_ns=100 * MS)

    link = Link(Paused({}))
    link.counted(rejected={})
    list(link.exchange.receive(0, b"r 1 2"))
    list(link.exchange.receive(500 * MS, b"1 3\nr 4 5 6\n"))
    link.counted(lines=1, rejected={"cut off": 1}, idle_cut=0, skipped=0)


def test_the_effects_of_a_line_come_before_the_next_line():
    link = Link()
    link.ask(0, "turn")
    items = link.exchange.receive(1 * MS, b"ok turn\nok halt\n")
    assert next(items) == Reply("turn")
    link.ask(1, "halt")
    assert next(items) == Reply("halt")


@pytest.mark.parametrize("longest", [10])
def test_the_report_counts_what_was_thrown_away(longest):
    class Short(Plain):
        framing = Framing(terminator=b"\n", longest=longest, idle_ns=100 * MS)

    link = Link(Short({}))
    link.receive(0, b"x" * 50, b"r 1 2 3", b"?", b"?", b"r 1 2")
    list(link.exchange.receive(0, b"r 1"))
    list(link.exchange.receive(500 * MS, b"r 4 5 6\n"))
    link.counted(too_long=1, readings=2, rejected={"too few values": 1, "unknown line": 2}, idle_cut=1, lines=5)
    assert link.exchange.report()["bytes"] == 51 + 8 + 2 + 2 + 6 + 3 + 8


class Wordy(Polled):
    """Driver that puts the rejected line into its reason."""

    def decode(self, line, asked=None):
        return Reject(f"unknown line {line!r}")


def test_reasons_without_end_are_counted_together():
    link = Link(Wordy({}))
    for i in range(1_000):
        link.receive(i, b"line %d" % i)
    rejected = link.exchange.report()["rejected"]
    assert len(rejected) == MOST_REASONS + 1
    assert sum(rejected.values()) == 1_000
    assert rejected["other reasons"] == 900
