"""Random deliveries against a plain model: the state of each message, and the order in which messages are read."""

import random
from dataclasses import dataclass

import pytest

from daq.adapters.store.epochs import StartEpoch
from daq.adapters.store.outgoing.delivery import (
    Acknowledge,
    MarkChanged,
    Refused,
    ReleaseRefused,
    ReleaseTopic,
    RepeatAfter,
    RepeatSince,
    SendAgain,
)
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.outgoing.outbox_reading import (
    changed_messages,
    last_acknowledged,
    last_sequences,
    newest_retained,
    next_try,
    quarantined,
    refused_topics,
    retained_topics,
    retained_with,
)
from daq.adapters.store.rows import CHANGED, SETTLED, Outgoing
from daq.adapters.store.store import Store
from tests.support.runs.stored import SECOND, T0, begin, builder, conclude, register

STREAMS = ("rotor-1", "rotor-2")
REASONS = ("Not authorized (code 135)", "Quota exceeded (code 151)")


@dataclass
class ModelMessage:
    """A message as the model knows it."""

    seq: int
    epoch: int
    stream: str
    sequence: int
    topic: str
    retain: bool
    created: int
    state: str = "waiting"
    attempts: int = 0
    last_error: str = ""
    acknowledged: int | None = None
    quarantined: bool = False
    refused: int | None = None
    again: int | None = None

    def settle(self):
        self.state, self.quarantined, self.last_error = "acknowledged", False, SETTLED

    def repeat(self, now):
        self.state, self.acknowledged, self.again = "waiting", None, now


class Model:
    """The store and the model beside it; each step changes both."""

    def __init__(self, store, seed):
        self.store, self.rng = store, random.Random(seed)
        self.messages, self.sequences, self.now, self.epoch, self.runs = [], {}, T0, 1, 0
        self.do(register())

    def do(self, transaction):
        return self.store.submit(transaction).result(10)

    def step(self):
        self.now += self.rng.choice((0, 1, 5)) * SECOND
        steps = [self.conclude] * 3 + [self.acknowledge] * 4 + [self.refuse] * 3
        steps += [self.mark, self.topic, self.release, self.again, self.since, self.after, self.derived]
        steps += [self.start_epoch] if self.rng.random() < 0.2 else []
        self.rng.choice(steps)()

    def some(self, state):
        found = [m for m in self.messages if m.state in state]
        return self.rng.sample(found, min(len(found), self.rng.randint(1, 3)))

    def newest(self, m):
        return not m.retain or m.seq == max(n.seq for n in self.messages if n.retain and n.topic == m.topic)

    def conclude(self):
        stream, self.runs = self.rng.choice(STREAMS), self.runs + 1
        name = f"run-{self.runs}"
        topics = [(f"lab/v1/result/{stream}", False), (f"lab/v1/last/{stream}", True)]
        self.do(begin(name, stream))
        self.do(conclude(name, result_id=f"result-{self.runs}", build=builder(name, topics=topics), utc_ns=self.now))
        number = self.sequences[self.epoch, stream] = self.sequences.get((self.epoch, stream), 0) + 1
        for topic, retain in topics:
            new = ModelMessage(len(self.messages) + 1, self.epoch, stream, number, topic, retain, self.now)
            self.messages.append(new)

    def derived(self):
        if self.runs:
            number = self.rng.randint(1, self.runs)
            of = [m for m in self.messages if not m.topic.startswith("curve/")][2 * number - 1]
            if self.do(
                AddDerived(f"result-{number}", Outgoing(f"curve/{of.stream}", b"1", id=f"c-{number}"), self.now)
            ):
                seq = len(self.messages) + 1
                new = ModelMessage(seq, of.epoch, of.stream, of.sequence, f"curve/{of.stream}", False, self.now)
                self.messages.append(new)

    def acknowledge(self):
        chosen = self.some(("waiting", "refused"))
        self.do(Acknowledge(tuple(m.seq for m in chosen), self.now))
        for m in chosen:
            m.state, m.acknowledged, m.attempts = "acknowledged", self.now, m.attempts + 1
            m.last_error, m.quarantined, m.refused = "", False, None

    def refuse(self):
        for m in self.some(("waiting", "refused", "acknowledged"))[:1]:
            reason, for_good = self.rng.choice(REASONS), self.rng.random() < 0.3
            self.do(Refused(m.seq, reason, self.now, for_good))
            if m.state != "acknowledged":
                m.state, m.attempts, m.last_error, m.quarantined = "refused", m.attempts + 1, reason, for_good
                m.refused = self.now if m.refused is None else m.refused

    def mark(self):
        chosen = self.some(("waiting", "refused", "acknowledged"))[:1]
        self.do(MarkChanged(tuple(m.seq for m in chosen), self.now))
        for m in chosen:
            if m.state != "acknowledged":
                m.state, m.quarantined, m.last_error, m.acknowledged = "refused", True, CHANGED, None
                m.refused = self.now if m.refused is None else m.refused

    def topic(self):
        for taken in self.some(("acknowledged",))[:1]:
            same = [m for m in self.messages if m.topic == taken.topic and m.state == "refused"]
            for m in same:
                if m.retain and m.seq < taken.seq and m.last_error != CHANGED:
                    m.settle()
            waiting = [m for m in same if m.state == "refused" and not m.quarantined]
            for m in waiting:
                m.state = "waiting"
            assert self.do(ReleaseTopic(taken.topic, taken.seq)) == len(waiting)

    def release(self):
        stream = self.rng.choice(("", *STREAMS))
        chosen = [m for m in self.messages if m.state == "refused" and stream in ("", m.stream)]
        for m in chosen:
            if m.retain and m.last_error != CHANGED and not self.newest(m):
                m.settle()
        chosen = [m for m in chosen if m.state == "refused"]
        for m in chosen:
            m.state, m.quarantined, m.refused, m.again = "waiting", False, None, self.now
            m.last_error = "" if m.last_error == CHANGED else m.last_error
        assert self.do(ReleaseRefused(self.now, "m.keeper", stream)) == len(chosen)

    def again(self):
        stream, first = self.rng.choice(STREAMS), self.rng.randint(1, 5)
        epoch, last = self.rng.randint(1, self.epoch), first + self.rng.randint(0, 3)
        span = (self.now - self.rng.randint(0, 20) * SECOND, self.now - self.rng.randint(0, 5) * SECOND)
        who = self.rng.choice((None, "m.keeper"))
        kind = self.rng.choice(("sequences", "committed", "both"))
        chosen = [m for m in self.messages if m.state == "acknowledged" and not m.retain]
        if kind == "committed":
            asked = SendAgain(committed=span, utc_ns=self.now, who=who)
        else:
            asked = SendAgain(stream=stream, epoch=epoch, sequences=(first, last), utc_ns=self.now, who=who)
            chosen = [m for m in chosen if (m.stream, m.epoch) == (stream, epoch) and first <= m.sequence <= last]
            if kind == "both":
                asked = SendAgain(stream=stream, committed=span, utc_ns=self.now, who=who)
                chosen = [m for m in self.messages if m.state == "acknowledged" and not m.retain and m.stream == stream]
        if kind != "sequences":
            chosen = [m for m in chosen if span[0] <= m.created <= span[1]]
        assert self.do(asked) == len(chosen)
        for m in chosen:
            m.repeat(self.now)

    def delivered(self, since):
        return [m for m in self.messages if m.acknowledged is not None and m.acknowledged >= since and self.newest(m)]

    def since(self):
        since = self.now - self.rng.randint(0, 10) * SECOND
        chosen = self.delivered(since)
        assert self.do(RepeatSince(since, self.now)) == len(chosen)
        for m in chosen:
            m.repeat(self.now)

    def after(self):
        since, stream = self.now - self.rng.randint(0, 20) * SECOND, self.rng.choice(STREAMS)
        seq = self.rng.randint(0, len(self.messages))
        chosen = [m for m in self.delivered(since) if m.stream == stream and m.seq > seq]
        assert self.do(RepeatAfter(stream, seq, since, self.now)) == len(chosen)
        for m in chosen:
            m.repeat(self.now)

    def start_epoch(self):
        started = self.do(StartEpoch(reason="put back", least=1, utc_ns=self.now))
        self.epoch += 1
        for m in self.messages:
            if m.retain and m.state != "acknowledged" and m.last_error != CHANGED:
                m.settle()
        waiting = {}
        for stream in STREAMS:
            numbers = [(m.sequence, m.epoch) for m in self.pending(("waiting", "refused")) if m.stream == stream]
            if numbers:
                first, last = min(n for n, _ in numbers), max(n for n, _ in numbers)
                waiting[stream] = {"first": first, "last": last, "results": len(set(numbers))}
        assert (started.epoch, started.waiting) == (self.epoch, waiting)

    def pending(self, states):
        return [m for m in self.messages if m.state in states]

    def compare(self, reader):
        for m in self.messages:
            found = reader.message(m.seq)
            here = (found.stream, found.sequence, found.topic, found.retain, found.created_utc_ns, found.state)
            here += (found.attempts, found.last_error, found.acknowledged_utc_ns, found.quarantined)
            assert (*here, found.refused_utc_ns, found.again_utc_ns) == (
                m.stream, m.sequence, m.topic, m.retain, m.created, m.state, m.attempts, m.last_error, m.acknowledged,
                m.quarantined, m.refused, m.again,
            ), m  # fmt: skip
        self.compare_order(reader)
        self.compare_numbers(reader)

    def compare_order(self, reader):
        def numbers(messages):
            return [m.seq for m in messages]

        waiting, refused = self.pending(("waiting",)), self.pending(("refused",))
        assert numbers(reader.waiting(limit=7)) == numbers(waiting)[:7]
        assert numbers(reader.waiting(after=5)) == [s for s in numbers(waiting) if s > 5]
        assert numbers(reader.refused()) == numbers(refused)
        assert numbers(quarantined(reader)) == numbers(m for m in refused if m.quarantined and m.last_error != CHANGED)
        assert numbers(changed_messages(reader)) == numbers(m for m in refused if m.last_error == CHANGED)
        tried = [m for m in refused if not m.quarantined]
        assert [(t.topic, t.messages, t.attempts, t.since_utc_ns) for t in refused_topics(reader)] == [
            (t, len(of), max(m.attempts for m in of), min(m.refused for m in of))
            for t in sorted({m.topic for m in tried})
            if (of := [m for m in tried if m.topic == t])
        ]
        for topic in {m.topic for m in self.messages}:
            of = [m for m in tried if m.topic == topic]
            first = min(of, key=lambda m: (-m.seq if m.retain else m.attempts, m.seq), default=None)
            found = next_try(reader, topic)
            assert (found and found.seq) == (first and first.seq)

    def compare_numbers(self, reader):
        depth = reader.outbox_depth()
        left = self.pending(("waiting", "refused"))
        kinds = [("waiting", m.state == "waiting") for m in left]
        assert depth.waiting == sum(is_waiting for _, is_waiting in kinds)
        assert depth.refused == sum(m.state == "refused" and not m.quarantined for m in left)
        assert depth.quarantined == sum(m.quarantined and m.last_error != CHANGED for m in left)
        assert depth.changed == sum(m.last_error == CHANGED for m in left)
        assert depth.oldest_utc_ns == min((m.again or m.created for m in left), default=None)
        times = [m.acknowledged for m in self.messages if m.acknowledged is not None]
        assert last_acknowledged(reader) == max(times, default=None)
        last = {s: n for (epoch, s), n in self.sequences.items() if epoch == self.epoch}
        assert last_sequences(reader, self.epoch) == last
        topics = sorted({m.topic for m in self.messages if m.retain})
        assert retained_topics(reader) == topics
        shown = {t: max(s) for t in topics if (s := [m.seq for m in self.messages if m.topic == t and m.acknowledged])}
        assert {t: m.seq for t, m in newest_retained(reader, topics).items() if m.retain} == shown
        for topic, seq in shown.items():
            assert retained_with(reader, topic, reader.message(seq).payload).seq == seq


@pytest.mark.parametrize("seed", range(12))
def test_every_message_has_the_state_of_the_model_and_is_read_in_its_order(tmp_path, seed):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store, store.reader() as reader:
        model, seen = Model(store, seed), set()
        for _ in range(60):
            model.step()
            model.compare(reader)
            seen |= {m.state for m in model.messages}
        assert seen == {"waiting", "acknowledged", "refused"}
