"""State machine of a connection: every transition, the stop of the motor, identity, lending."""

import pytest

from daq.core.driver import Request
from daq.core.effects import Send
from daq.core.framing import NEVER
from daq.core.link import STOP_NS, Link
from daq.core.linkeffects import ExpectedInstrument, LinkMoved, Reopen, TorqueOffZero
from daq.core.linkstates import LINK_TRANSITIONS, IdentityCheck, LinkState, Motor, Purpose, link_diagram
from daq.core.resting import TorqueAtRest
from tests.support.runs.scripts import Named, Plain, S

MS = 1_000_000


class Asked(Named):
    """Polled driver with an identity."""

    kind = "asked"
    streams = False

    def poll(self):
        return Request(b"read\n", "reading", timeout_ns=300 * MS)


class Key(Named):
    """Driver with an identity whose instrument sends only when its key is pressed."""

    kind = "key"
    stale_after_ns = 0


class Rig:
    """A link with its effects, and an instrument that answers with `serial`."""

    def __init__(self, driver=None, purpose=Purpose.IDLE, serial=b"N-1", expected="", interval_ns=S):
        self.sent, self.moves, self.effects, self.seen = [], [], [], []
        self.serial = serial
        self.answers = {"read", "who", "halt"}
        self.reading = b"r 0 0 25"
        self.reopens = False
        self.t = 1000 * S
        self.link = Link(
            "unit",
            driver or Asked({}),
            self._emit,
            purpose=purpose,
            expected=ExpectedInstrument(expected),
            interval_ns=interval_ns,
        )
        self._due = []
        self.link.open(self.t)

    def _emit(self, effect):
        self.effects.append(effect)
        if isinstance(effect, Send):
            word = effect.data.split()[0].decode()
            self.sent.append((self.t, word))
            self.link.sent(self.t)
            if word in self.answers:
                self._due.append(self.t + 5 * MS)
        elif isinstance(effect, LinkMoved):
            self.moves.append((effect.source, effect.trigger, effect.target))

    def plug(self):
        self.link.port_open(self.t)
        return self

    def receive(self, data):
        self._take(self.link.receive(self.t, data))

    def _take(self, items):
        for item in items:
            checked = self.link.take(self.t, item)
            if checked is not None and self.link.trusted:
                self.seen.append((self.t, checked))
        self.link.lend_if_free(self.t)

    def run(self, seconds):
        """Let `seconds` pass; answers come 5 ms after their requests."""
        end = self.t + round(seconds * S)
        while True:
            due = min([self.link.wake_at, *self._due])
            if due > end:
                self.t = end
                return self
            self.t = max(self.t, due)
            if self.reopens and isinstance(self.effects[-1], Reopen):
                self.link.port_lost(self.t, "opened again")
                self._due.clear()
                self.plug()
            if self._due and self._due[0] <= self.t:
                self._due.pop(0)
                word = next(word for _, word in reversed(self.sent))
                answer = {"read": self.reading, "who": b"i " + self.serial, "halt": b"ok halt"}[word]
                self.receive(answer + b"\n")
            else:
                self._take(self.link.tick(self.t))

    def count(self, word):
        return sum(1 for _, w in self.sent if w == word)

    @property
    def stays(self):
        return [e for e in self.effects if isinstance(e, TorqueOffZero)]


def ready(**options):
    rig = Rig(**options).plug()
    rig.run(0.1)
    assert rig.link.state is LinkState.READY
    return rig


# ---- the table


def reach_all():
    """Yield the transitions of runs that together go through the whole table."""
    rig = ready()
    rig.link.lend(rig.t)
    rig.link.returned(rig.t, Motor.NOT_MOVED)
    rig.run(0.1)
    rig.link.lend(rig.t)
    rig.link.returned(rig.t, Motor.IN_DOUBT)
    rig.run(3.0)
    rig.link.port_lost(rig.t, "unplugged")
    rig.link.motor = Motor.IN_DOUBT
    rig.plug().run(3.0)
    rig.link.identify(rig.t)
    rig.link.stop_motor(rig.t)
    rig.answers.clear()
    rig.run(12.0)
    yield rig
    plain = Rig(Plain({})).plug()
    plain.link.motor = Motor.IN_DOUBT
    plain.link.port_lost(plain.t, "unplugged")
    plain.plug()
    yield plain
    rig = Rig(expected="N-2").plug()
    rig.run(0.1)
    rig.plug()
    rig.run(0.1)
    rig.link.stop_motor(rig.t)
    yield rig
    rig = ready()
    rig.answers.clear()
    rig.run(10.0)
    yield rig
    rig = Rig()
    rig.answers.clear()
    rig.plug().run(10.0)
    yield rig
    rig = ready()
    rig.answers.discard("read")
    rig.run(2.5)
    rig.answers.add("read")
    rig.run(2.0)
    yield rig
    rig = ready(driver=Key({}))
    rig.receive(b"r 0 0")
    rig.link.lend(rig.t)
    rig.run(6.0)
    yield rig
    run = Rig(purpose=Purpose.RUN, expected="N-1").plug()
    run.run(0.1)
    run.reading = b"r 0 9 25"
    run.link.stop_motor(run.t, 2 * S)
    run.run(11.0)
    run.link.stop_motor(run.t)
    run.serial = b"N-2"
    run.link.identify(run.t)
    run.run(1.0)
    yield run
    run = Rig(purpose=Purpose.RUN)
    run.answers.clear()
    run.plug().run(10.0)
    yield run
    for state in LinkState:
        if state is not LinkState.CLOSED:
            for leave in ("close", "port lost"):
                rig = Rig()
                rig.link.state = state
                rig.link.exchange.link_up(rig.t)
                rig.link.close(rig.t) if leave == "close" else rig.link.port_lost(rig.t, "unplugged")
                yield rig


def test_every_transition_of_the_table_is_reached_and_no_other():
    reached = {move for rig in reach_all() for move in rig.moves}
    assert reached == {(a, trigger, b) for (a, trigger), b in LINK_TRANSITIONS.items()}


def test_the_table_has_no_dead_end_and_its_diagram_holds_all_of_it():
    assert {a for a, _ in LINK_TRANSITIONS} == set(LinkState)
    assert set(LINK_TRANSITIONS.values()) == set(LinkState)
    lines = link_diagram().splitlines()
    arrows = sum(len(line.partition(": ")[2].split(", ")) for line in lines[2:])
    assert arrows >= len(LINK_TRANSITIONS)
    assert "    ready --> lending: lend" in lines


# ---- identity


@pytest.mark.parametrize("gone_s", [2.2, 4.0])
def test_an_instrument_that_answers_after_more_than_two_polls_is_asked_who_it_is(gone_s):
    rig = ready()
    rig.run(2.0)
    rig.reopens = True
    asked = rig.count("who")
    rig.answers.clear()
    rig.run(gone_s)
    rig.answers.update({"read", "who"})
    rig.serial = b"N-2"
    rig.seen.clear()
    rig.run(4.0)
    assert rig.count("who") > asked
    assert rig.link.identification.identity.serial == "N-2"
    named = next(e.t for e in rig.effects if isinstance(e, LinkMoved) and e.trigger == "identified" and e.t > 1003 * S)
    assert all(t >= named for t, _ in rig.seen), "a reading was shown before the instrument was identified"


def test_an_instrument_other_than_the_expected_one_is_not_read_any_more():
    rig = ready(expected="N-1")
    rig.answers.clear()
    rig.run(2.2)
    rig.answers.update({"read", "who"})
    rig.serial = b"N-2"
    rig.seen.clear()
    rig.run(3.0)
    assert rig.link.state is LinkState.WRONG_INSTRUMENT
    assert "instrument N-2 answers where N-1 is expected" in rig.link.identification.detail
    assert rig.seen == []
    assert any(isinstance(e, Reopen) for e in rig.effects)


def test_a_reading_at_the_press_of_a_key_is_shown_once_the_instrument_is_identified():
    rig = ready(driver=Key({}))
    asked = rig.count("who")
    rig.run(60.0)
    assert rig.link.state is LinkState.READY, "its silence means nothing"
    rig.receive(b"r 7 0 25\n")
    assert not rig.link.trusted
    rig.run(1.0)
    assert rig.count("who") == asked + 1
    assert rig.link.trusted
    assert rig.link.intake.last[0] == 7.0
    rig.serial = b"N-2"
    rig.run(60.0)
    rig.receive(b"r 8 0 25\n")
    rig.run(1.0)
    assert rig.link.identification.identity.serial == "N-2"


def test_a_run_s_question_has_its_time_and_no_more():
    rig = Rig(purpose=Purpose.RUN).plug()
    rig.run(0.1)
    rig.answers.clear()
    rig.link.identify(rig.t, 2 * S)
    began = rig.t
    rig.run(5.0)
    assert rig.link.identification.check is IdentityCheck.NO_ANSWER
    (moved,) = [e for e in rig.effects if isinstance(e, LinkMoved) and e.trigger == "no answer"]
    assert moved.t - began == 2 * S


# ---- the motor


def test_the_stop_does_not_wait_for_late_answers_nor_for_a_slow_request():
    class Slow(Asked):
        def poll(self):
            return Request(b"read\n", "reading", timeout_ns=5 * S)

    rig = Rig(purpose=Purpose.RUN, driver=Slow({})).plug()
    rig.run(2.0)
    rig.answers.clear()
    rig.run(1.5)
    assert rig.link.exchange.awaiting
    wanted = rig.t
    rig.link.stop_motor(rig.t)
    rig.run(1.0)
    assert next(t for t, word in rig.sent if word == "halt") - wanted == 500 * MS  # the stop's own time-out
    rig = Rig(purpose=Purpose.RUN).plug()
    rig.run(2.0)
    rig.answers.clear()
    while rig.link.exchange.counters.timeouts == 0:
        rig.run(0.01)
    rig.link.stop_motor(rig.t)
    assert rig.sent[-1] == (rig.t, "halt")


def test_the_stop_goes_out_within_the_time_out_of_what_is_under_way():
    """Polled once a second with a time-out of 0.3 s; the instrument stops answering just before."""
    for before in (0.0, 0.1, 0.2, 0.3, 0.35, 0.44, 0.6):
        rig = Rig(purpose=Purpose.RUN).plug()
        rig.run(2.0)
        rig.answers.clear()
        rig.run(1.0)
        while rig.sent[-1][0] + round(before * S) > rig.t:
            rig.run(0.001)
        wanted = rig.t
        rig.link.stop_motor(rig.t, 2 * S)
        rig.run(1.0)
        halted = next(t for t, word in rig.sent if word == "halt")
        assert halted - wanted <= 500 * MS, before
        assert next(word for t, word in rig.sent if t >= wanted) == "halt"


@pytest.mark.parametrize("purpose", list(Purpose))
def test_a_stop_is_repeated_until_its_time_is_over_for_every_purpose(purpose):
    rig = Rig(purpose=purpose).plug()
    rig.run(0.1)
    rig.answers.discard("halt")
    began = rig.t
    rig.link.stop_motor(rig.t)
    rig.run(11.0)
    times = [t for t, word in rig.sent if word == "halt"]
    assert len(times) >= 10
    assert times[-1] - began <= STOP_NS
    assert rig.link.motor is Motor.IN_DOUBT
    left = next(e for e in rig.effects if isinstance(e, LinkMoved) and e.source is LinkState.HALTING)
    assert left.t - began == STOP_NS


def test_a_torque_that_stays_is_reported_and_one_that_goes_back_is_not():
    for torque, reported in ((b"r 8 0 25", True), (b"r 0.4 0 25", False), (b"r -9 0 25", True)):
        rig = ready()
        rig.link.lend(rig.t)
        rig.reading = b"r 60 0 25"
        rig.link.returned(rig.t, Motor.STILL, TorqueAtRest(at=0, zero=0.5, tolerance=2.0))
        rig.run(10.0)  # the sensor unwinds
        rig.reading = torque
        rig.run(29.0)
        assert bool(rig.stays) is reported, torque
        rig.run(100.0)
        assert len(rig.stays) == reported


def test_a_stranger_s_standstill_is_not_taken_for_the_motor_s():
    rig = Rig(purpose=Purpose.RUN, expected="N-1").plug()
    rig.run(0.1)
    rig.serial = b"N-2"
    rig.answers.discard("read")
    rig.link.stop_motor(rig.t, 2 * S)
    rig.run(1.0)
    assert (rig.link.state, rig.link.motor) == (LinkState.WRONG_INSTRUMENT, Motor.IN_DOUBT)


# ---- lending


def test_a_line_is_lent_only_where_nothing_is_under_way():
    rig = ready(driver=Key({}))
    rig.receive(b"r 1 0 ")
    rig.link.lend(rig.t)
    assert rig.link.state is LinkState.LENDING
    rig.receive(b"25\nr 2")
    assert rig.link.state is LinkState.LENDING
    rig.receive(b" 0 25\n")
    assert rig.link.state is LinkState.LENT
    rig = ready()
    rig.run(1.0)
    while rig.sent[-1][1] != "read" or not rig.link.exchange.awaiting:
        rig.run(0.001)
    rig.link.lend(rig.t)
    assert rig.link.state is LinkState.LENDING
    rig.run(0.1)
    assert rig.link.state is LinkState.LENT


def test_nothing_is_due_where_no_instrument_is_there():
    rig = Rig()
    assert rig.link.wake_at == NEVER
    rig.link.close(rig.t)
    assert rig.link.wake_at == NEVER


# ---- readings


def test_a_reading_out_of_range_and_one_that_is_no_number_are_marked_when_idle():
    rig = ready(driver=Named({}))
    rig.receive(b"r 1 0 999\n")
    assert rig.link.intake.last.faults == (("temperature", "beyond_range"),)
    rig.receive(b"r nan 0 25\n")
    assert rig.link.intake.last.values == (None, 0.0, 25.0)
    assert rig.link.intake.last.faults == (("torque", "not_a_number"),)


def test_unrequested_readings_make_requested_ones_doubtful():
    rig = ready()
    rig.run(3.0)
    assert all(isinstance(checked, tuple) for _, checked in rig.seen)
    rig.seen.clear()
    for _ in range(20):
        rig.receive(b"r 3 0 25\n")
        rig.run(0.25)
    assert rig.seen
    assert all(("", "unasked") in checked.faults for _, checked in rig.seen[1:])


def test_the_answer_to_a_run_s_last_poll_makes_no_idle_reading_doubtful():
    rig = ready()
    rig.link.lend(rig.t)
    rig.link.returned(rig.t, Motor.NOT_MOVED)
    rig.receive(b"r 3 0 25\n")
    rig.run(3.0)
    assert rig.seen
    assert all(isinstance(checked, tuple) for _, checked in rig.seen)


def test_one_answer_that_comes_late_makes_nothing_doubtful():
    rig = ready()
    rig.run(2.0)
    rig.answers.clear()
    while rig.link.exchange.counters.timeouts == 0:
        rig.run(0.01)
    rig.receive(b"r 3 0 25\n")  # 0.3 s and a little after the poll
    rig.answers.update({"read", "who"})
    rig.seen.clear()
    rig.run(5.0)
    assert rig.seen
    assert all(isinstance(checked, tuple) for _, checked in rig.seen)
