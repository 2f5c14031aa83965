"""Unusual protocols: several requests for a reading, echoes, pauses, wake-up bytes, print keys, frames by silence."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.driver import Channel, Driver, Part, Port, Reject, Reply, Request, Values
from daq.core.echo import Echo
from daq.core.effects import Send
from daq.core.events import Tick
from daq.core.exchange import NEVER, SHARED_LINE_WAIT_NS, Exchange
from daq.core.framing import Framing
from daq.core.pipeline import Pipeline
from daq.core.replay import replay
from daq.testing.bench import Bench
from daq.testing.hostile import FlippedBits
from tests.support.runs.scripts import S, elapsed, plan_of, step

MS = 1_000_000


class Talker(Driver):
    """Driver whose polls `?a`, `?b` and `?c` are answered with a bare number, and an action with `ok action`.

    The meaning of a number depends on the request.
    """

    kind = "talker"
    channels = (
        Channel("torque", "%", -110.0, 110.0),
        Channel("speed", "/min", -1000.0, 1000.0),
        Channel("temperature", "Cel", -50.0, 300.0),
    )
    framing = Framing(terminator=b"\r", longest=40)
    interval_ns = S
    stale_after_ns = 4 * S

    def decode(self, line, asked=None):
        if line == b"ERR":
            return Reply("refused", refusal="busy")
        if line.startswith(b"ok "):
            return Reply(line[3:].decode())
        try:
            value = float(line) if line != b"-" else None
        except ValueError:
            return Reject("no number")
        if asked is None:
            return Reject("no request")
        at = b"abc".find(asked.data[1:2])
        return Part(((at, value),), (("torque", "probe"),) if value == 99 else ())

    def poll(self):
        return tuple(Request(b"?%c\r" % name, "reading", timeout_ns=200 * MS) for name in b"abc")

    def action(self, action, value=None):
        return Request(b"%s\r" % action.encode(), action)


class Line:
    """An exchange with the bytes that it sent; times in ms."""

    def __init__(self, driver=None, **attributes):
        driver = driver or Talker({})
        for name, value in attributes.items():
            setattr(driver, name, value)
        self.sent, self.failed, self.now = [], [], 0
        self.exchange = Exchange("lead", driver, self._send, lambda _l, r, why: self.failed.append((r.expects, why)))
        self.exchange.link_up(0)

    def _send(self, _link, data):
        self.sent.append((self.now, data))

    def ask(self, ms, action, **more):
        self.until(ms)
        self.exchange.ask(ms * MS, self.exchange.driver.action(action), **more)

    def start(self, ms=0):
        self.now = ms
        self.exchange.start_polling(ms * MS)

    def receive(self, ms, data):
        self.until(ms)
        return list(self.exchange.receive(ms * MS, data))

    def until(self, ms):
        """Tick at every time at which an action is due before `ms`, and return the items."""
        items = []
        while self.exchange.wake_at < ms * MS:
            self.now = self.exchange.wake_at // MS
            items += self.exchange.tick(self.exchange.wake_at)
        self.now = ms
        return items

    def counted(self, **expected):
        found = self.exchange.report()
        assert {k: found[k] for k in expected} == expected


# ---- several requests a reading


def test_the_parts_of_a_round_are_one_reading_and_each_answer_belongs_to_its_question():
    line = Line()
    line.start()
    assert line.receive(10, b"1\r") == []
    assert line.receive(20, b"2\r") == []
    assert line.receive(30, b"3\r") == [(1.0, 2.0, 3.0)]
    assert line.sent == [(0, b"?a\r"), (10, b"?b\r"), (20, b"?c\r")]
    assert line.exchange.last_reading_t == 30 * MS
    line.until(1001)
    assert line.sent[3:] == [(1000, b"?a\r")]
    line.counted(readings=1, timeouts=0)


def test_answers_that_come_joined_are_each_decoded_with_the_question_of_their_turn():
    line = Line()
    line.start()
    # There is one answer too many: the last has no request.
    assert line.receive(10, b"1\r2\r3\r4\r") == [(1.0, 2.0, 3.0)]
    line.counted(readings=1, rejected={"no request": 1})


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        (b"99\r2\r3\r", Values((99.0, 2.0, 3.0), (("torque", "probe"),))),
        (b"1\r-\r3\r", Values((1.0, None, 3.0), ())),
    ],
)
def test_a_fault_or_a_null_in_one_part_is_one_of_the_whole(answers, expected):
    line = Line()
    line.start()
    assert line.receive(10, answers) == [expected]


def test_a_part_that_does_not_come_spoils_its_round_only():
    line = Line()
    line.start()
    line.receive(10, b"1\r")
    line.until(900)
    assert line.receive(950, b"7\r") == []  # too late for anything
    line.counted(timeouts=1, readings=0)
    assert line.receive(1010, b"4\r5\r6\r") == [(4.0, 5.0, 6.0)]
    assert [data for _, data in line.sent] == [b"?a\r", b"?b\r", b"?a\r", b"?b\r", b"?c\r"]


def test_a_refused_part_spoils_its_round():
    line = Line()
    line.start()
    line.receive(10, b"1\r")
    line.receive(20, b"ERR\r")
    assert line.failed == [("reading", "busy")]
    assert line.receive(1010, b"4\r5\r6\r") == [(4.0, 5.0, 6.0)]


def test_a_stop_goes_between_the_parts_and_what_it_drops_is_not_asked_any_more():
    line = Line()
    line.start()
    line.ask(5, "halt", first=True)
    assert line.receive(10, b"1\r") == []
    assert line.sent[-1] == (10, b"halt\r")
    assert line.receive(20, b"ok halt\r") == [Reply("halt")]
    assert line.receive(30, b"2\r3\r") == [(1.0, 2.0, 3.0)]
    line.until(1001)
    line.exchange.drop_queue()
    assert line.receive(1010, b"4\r") == [Values((4.0, None, None), ())]
    assert line.sent[-1] == (1000, b"?a\r")


class Sentences(Talker):
    """Driver of a stream of the lines `a 1`, `b 2` and `c 3`."""

    streams = True

    def poll(self):
        return None

    def decode(self, line, asked=None):
        name, _, value = line.partition(b" ")
        if name not in (b"a", b"b", b"c") or not value.strip(b"-.").isdigit():
            return Reject("unknown")
        return Part(((b"abc".index(name), float(value)),))


def test_parts_of_a_stream_are_a_reading_when_every_channel_has_a_part_within_the_interval():
    line = Line(Sentences({}))
    line.start()
    assert line.receive(0, b"a 1\rb 2\ra 3\r") == []
    assert line.receive(100, b"c 4\r") == [(3.0, 2.0, 4.0)]
    assert line.receive(1000, b"a 5\rb 6\r") == []
    assert line.receive(2050, b"c 7\r") == []  # a and b are older than the interval by now
    assert line.receive(2100, b"a 8\rb 9\r") == [(8.0, 9.0, 7.0)]
    line.counted(readings=2)


# ---- silence, pauses, waking


def test_a_silence_of_an_instrument_with_a_print_key_has_no_meaning():
    line = Line(Sentences({}), stale_after_ns=0)
    line.start()
    assert line.exchange.wake_at == NEVER
    line.exchange.tick(3600 * S)
    assert not line.exchange.silent


def test_the_next_request_waits_for_the_pause_after_an_answer():
    line = Line(pause_ns=50 * MS)
    line.start()
    line.receive(10, b"1\r")
    line.ask(20, "halt", first=True)
    line.receive(70, b"ok halt\r")
    line.until(500)
    assert line.sent[:3] == [(0, b"?a\r"), (60, b"halt\r"), (120, b"?b\r")]


def test_wake_up_bytes_go_before_a_request_where_nothing_was_sent_for_a_while():
    line = Line(wake=b"\x00", wake_after_ns=500 * MS, wake_wait_ns=30 * MS)
    line.start()
    assert line.sent == [(0, b"\x00")]
    line.until(31)
    assert line.sent[1:] == [(30, b"?a\r")]
    line.receive(40, b"1\r")
    line.receive(50, b"2\r3\r")
    line.ask(400, "turn")
    line.receive(410, b"ok turn\r")
    line.until(1100)
    assert line.sent[2:] == [(40, b"?b\r"), (50, b"?c\r"), (400, b"turn\r"), (1000, b"\x00"), (1030, b"?a\r")]


def test_the_wait_after_waking_counts_from_when_the_bytes_went_out():
    line = Line(wake=b"\x00", wake_after_ns=0, wake_wait_ns=30 * MS)
    line.ask(0, "turn")
    line.exchange.sent(20 * MS)
    line.until(51)
    assert line.sent == [(0, b"\x00"), (50, b"turn\r")]
    line.exchange.sent(51 * MS)
    line.receive(60, b"ok turn\r")
    line.ask(61, "halt")
    line.until(100)
    assert line.sent[2:] == [(61, b"\x00"), (91, b"halt\r")]


def test_a_request_that_is_sent_byte_by_byte_has_the_more_time():
    line = Line(port=Port(byte_pause_ns=100 * MS))
    line.ask(0, "turn")
    assert line.exchange.wake_at == 1000 * MS  # 500 ms and five bytes
    line.exchange.sent(10 * MS)
    assert line.exchange.wake_at == 1010 * MS


def test_a_request_may_wait_long_for_a_shared_line_and_has_its_time_once_it_is_sent():
    line = Line(shares_line=True)
    line.ask(0, "turn")
    assert line.exchange.wake_at == 500 * MS + SHARED_LINE_WAIT_NS
    line.exchange.sent(5000 * MS)
    assert line.exchange.wake_at == 5500 * MS


# ---- echoes


@pytest.mark.parametrize("size", [1, 2, 3, 100])
def test_an_echo_is_taken_out_however_it_is_cut(size):
    line = Line(echoes=True)
    line.ask(0, "turn")
    data = b"\xff\x00tur" + b"turn\r" + b"ok turn\r"
    found = [item for i in range(0, len(data), size) for item in line.receive(10, data[i : i + size])]
    assert found == [Reply("turn")]
    line.counted(rejected={}, wrong_echo=0, lines=1)


def test_after_a_wrong_echo_all_is_discarded_until_the_next_poll():
    line = Line(echoes=True, poll=lambda: Request(b"?a\r", "reading", timeout_ns=200 * MS))
    line.start()
    assert line.receive(10, b"?b\r1\r") == []
    line.until(1001)
    assert line.sent == [(0, b"?a\r"), (1000, b"?a\r")]
    assert line.receive(1010, b"?a\r1\r") == [Values((1.0, None, None), ())]
    line.counted(wrong_echo=1, timeouts=1, readings=1)


def test_a_silent_instrument_gave_no_wrong_echo():
    line = Line(echoes=True)
    line.ask(0, "turn")
    line.until(5000)
    line.counted(wrong_echo=0, timeouts=3, given_up=1)


def test_lines_of_a_stream_before_the_echo_are_not_lost():
    line = Line(Sentences({}), echoes=True)
    line.start()
    line.ask(0, "halt")
    assert line.receive(10, b"a 1\rb 2\rhalt\rc 3\r") == [(1.0, 2.0, 3.0)]


@settings(derandomize=True, max_examples=300)
@given(
    data=st.lists(st.sampled_from([b"a", b"b", b"ab", b"abab", b"c", b"\r"]), max_size=20).map(b"".join),
    echo=st.sampled_from([b"ab", b"abab\r", b"aab", b"a"]),
    cuts=st.lists(st.integers(0, 60), max_size=10),
    unasked=st.booleans(),
)
def test_bytes_left_by_the_echo_do_not_depend_on_how_the_bytes_are_cut(data, echo, cuts, unasked):
    def stripped(pieces):
        taker = Echo(speaks_unasked=unasked)
        taker.expect(echo)
        return b"".join(map(taker.strip, pieces)), taker.missing

    at = sorted({min(c, len(data)) for c in cuts})
    pieces = [data[a:b] for a, b in zip([0, *at], [*at, len(data)], strict=True)]
    left, missing = stripped([data])
    assert (left, missing) == stripped(pieces) == stripped([data[i : i + 1] for i in range(len(data))])
    assert missing == (echo not in data)
    if not missing:
        before, _, after = data.partition(echo)
        assert left == (before if unasked else b"") + after


# ---- frames that end by a silence, in a whole run


class SilenceFramed(Talker):
    """Driver of three numbers in one frame that ends by a silence of 20 ms."""

    kind = "gapped"
    framing = Framing(silence_ns=20 * MS, longest=40)

    def poll(self):
        return Request(b"?", "reading", timeout_ns=200 * MS)

    def decode(self, line, asked=None):
        try:
            numbers = tuple(map(float, line.split(b",")))
        except ValueError:
            return Reject("no numbers")
        return numbers if len(numbers) == 3 else Reject("not three")


class SilenceFramedSimulator:
    """Simulator that answers every `?` with three numbers."""

    def __init__(self):
        self.asked = 0

    def advance(self, dt_s):
        return b""

    def receive(self, data):
        self.asked += 1
        return b"%d,0,25" % (50 + self.asked % 3)

    def due_in_s(self):
        return None


def test_a_frame_that_ends_by_a_silence_is_read_when_the_silence_is_over():
    line = Line(SilenceFramed({}))
    line.start()
    assert line.receive(10, b"1,2") == []
    assert line.receive(20, b",3") == []
    assert line.exchange.wake_at == 40 * MS
    assert line.until(41) == [(1.0, 2.0, 3.0)]
    assert line.exchange.last_reading_t == 40 * MS


def test_a_run_on_frames_that_end_by_a_silence_replays_and_needs_no_punctual_ticks():
    plan = plan_of(step(elapsed(5.0)), driver=SilenceFramed, primary="torque")
    bench = Bench(plan, {"lead": SilenceFramed({})}, {"lead": SilenceFramedSimulator()})
    bench.begin()
    bench.run()
    assert bench.pipeline.links["lead"].exchange.report()["readings"] == 5
    assert replay(bench.journal(), lambda *_: SilenceFramed({})).same
    # Without any tick what falls due is done before the next event, at the time it was due.
    again = Pipeline(plan, {"lead": SilenceFramed({})})
    found = again.step(event for event in bench.events if not isinstance(event, Tick))
    found += again.step([Tick(bench.clock.mono_ns())])
    assert [e for e in found if not isinstance(e, Send)] == [e for _, e in bench.effects if not isinstance(e, Send)]


class EchoingSimulator:
    """Simulator that echoes every request, and answers the requests of `Joined`."""

    def __init__(self):
        self.asked = []

    def advance(self, dt_s):
        return b""

    def receive(self, data):
        self.asked.append(data)
        number = len(self.asked)
        if data.startswith(b"?"):
            return data + (
                b"%d\r" % (40 + number % 9) if data[1:2] == b"a" else b"0\r" if data[1:2] == b"b" else b"25\r"
            )
        return data

    def due_in_s(self):
        return None


def test_a_run_with_rounds_echoes_pauses_and_wake_up_bytes_on_a_bad_line_replays():
    plan = plan_of(step(elapsed(20.0)), driver=Joined, primary="torque")
    bench = Bench(
        plan,
        {"lead": Joined({})},
        {"lead": EchoingSimulator()},
        incoming={"lead": FlippedBits(seed=3, probability=0.1)},
    )
    bench.begin()
    bench.run()
    report = bench.pipeline.links["lead"].exchange.report()
    assert report["readings"] >= 10
    assert report["timeouts"] >= 1
    assert report["wrong_echo"] >= 1
    assert b"\x00" in bench.sent("lead")
    again = replay(bench.journal(), lambda *_: Joined({}))
    assert again.same, again.difference
    assert again.facts == bench.pipeline.facts()


# ---- however bytes are cut


class Joined(Talker):
    """The talker with echoes, pauses, wake-up bytes and pauses between bytes together."""

    echoes = True
    pause_ns = 30 * MS
    wake = b"\x00"
    wake_after_ns = 700 * MS
    wake_wait_ns = 20 * MS


class Mixed(Sentences):
    """Driver of a stream in which a plain confirmation answers every request."""

    def decode(self, line, asked=None):
        if line == b"ok":
            return Reply(asked.expects) if asked is not None else Reject("no request")
        return super().decode(line, asked)


SAID = st.sampled_from(
    [
        b"1\r",
        b"2.5\r",
        b"-\r",
        b"99\r",
        b"ERR\r",
        b"ok halt\r",
        b"ok\r",
        b"a 1\r",
        b"b 2\r",
        b"c 3\r",
        b"?a\r",
        b"?b\r",
        b"?",
        b"a",
        b"\r",
        b"halt\r",
        b"\x00",
        b"x" * 50,
        b"1,2,3",
        b"4,5",
    ]
)
STEPS = st.lists(
    st.tuples(st.sampled_from([0, 1, 10, 25, 40, 150, 400, 900]), st.lists(SAID, max_size=5), st.booleans()),
    max_size=12,
)


@settings(derandomize=True, max_examples=250)
@given(steps=STEPS, kind=st.sampled_from([Talker, Joined, Sentences, Mixed, SilenceFramed]), data=st.data())
def test_items_and_requests_do_not_depend_on_how_bytes_are_cut(steps, kind, data):
    def played(cut):
        line = Line(kind({}))
        line.start()
        items, ms = [], 0
        for wait, answers, asks in steps:
            ms += wait
            items += line.until(ms)
            whole = b"".join(answers)
            if asks:
                line.ask(ms, "halt", first=True)
            for piece in cut(whole):
                items += line.receive(ms, piece)
        items += line.until(ms + 3000)
        return items, line.sent, line.failed, line.exchange.report()

    at = data.draw(st.lists(st.integers(0, 200), max_size=8))

    def pieces(whole):
        cuts = sorted({min(c, len(whole)) for c in at})
        return [whole[a:b] for a, b in zip([0, *cuts], [*cuts, len(whole)], strict=True)]

    expected = played(lambda whole: [whole])
    assert played(pieces) == expected
    assert played(lambda whole: [whole[i : i + 1] for i in range(len(whole))]) == expected


def test_an_instrument_that_gave_no_answer_is_woken_before_the_next_request():
    line = Line(wake=b"\x00", wake_after_ns=60_000 * MS, wake_wait_ns=30 * MS)
    line.start()
    line.until(1031)
    assert line.sent == [(0, b"\x00"), (30, b"?a\r"), (1000, b"\x00"), (1030, b"?a\r")]
    line.receive(1040, b"1\r")
    line.receive(1050, b"2\r3\r")
    line.until(2031)
    assert (2000, b"?a\r") in line.sent


def test_a_wake_up_whose_request_was_dropped_is_sent_again():
    line = Line(wake=b"\x00", wake_after_ns=5_000 * MS, wake_wait_ns=30 * MS)
    line.exchange.link_up(0)
    line.ask(0, "turn")
    line.exchange.drop_queue()
    line.until(20_000)
    line.ask(20_000, "turn")
    line.until(20_100)
    assert line.sent == [(0, b"\x00"), (20_000, b"\x00"), (20_030, b"turn\r")]
