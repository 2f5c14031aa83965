"""Transactions on the state of messages in the outbox: acknowledged, refused, to be sent again.

A message is ``waiting``, ``acknowledged`` or ``refused``.  The publisher tries a refused message again unless it is
``quarantined``.  A quarantined one is sent again only by a person's command.  A message that is sent again has the same
id and bytes.  A message that does not agree with the audit trail is never sent: it is quarantined with `CHANGED`.

A retained message shows the newest state of its topic, so an old one must never be sent after a newer one.  The old one
is settled instead: it becomes ``acknowledged`` without a time.
"""

# ruff: noqa: D102 - the docstring of each class says what its `apply` does

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.outgoing.sealed import agreeing
from daq.adapters.store.rows import BY_CONTENT, BY_STATE, CHANGED, PENDING, SETTLED
from daq.adapters.store.steps import add_audit
from daq.core.errors import StoreError

_SETTLE: Final = (
    f"UPDATE delivery SET state = 'acknowledged', quarantined = 0, last_error = '{SETTLED}' "  # noqa: S608 - our text
    f"WHERE state = 'refused' AND state <> 'acknowledged' AND last_error <> '{CHANGED}' "
    "AND EXISTS (SELECT 1 FROM outbox AS m WHERE m.seq = delivery.seq AND m.retain AND "
)
SETTLE_RETAINED: Final = (
    f"UPDATE delivery SET state = 'acknowledged', quarantined = 0, last_error = ? WHERE {PENDING} "  # noqa: S608 - ours
    "AND EXISTS (SELECT 1 FROM outbox AS m WHERE m.seq = delivery.seq AND m.retain)"
)
"""Settle all retained messages that are not acknowledged."""
_AGAIN: Final = "UPDATE delivery SET state = 'waiting', acknowledged_utc_ns = NULL, again_utc_ns = ? WHERE seq = ?"
_RELEASE: Final = (
    "UPDATE delivery SET state = 'waiting', quarantined = 0, refused_utc_ns = NULL, again_utc_ns = ?, "  # noqa: S608
    f"last_error = iif(last_error = '{CHANGED}', '', last_error) WHERE seq = ?"
)
_CHANGED: Final = (
    f"UPDATE delivery SET state = 'refused', quarantined = 1, last_error = '{CHANGED}', "  # noqa: S608 - our text
    "acknowledged_utc_ns = NULL, refused_utc_ns = coalesce(refused_utc_ns, ?) WHERE seq = ? AND state <> 'acknowledged'"
)
_NEWEST: Final = "(NOT m.retain OR m.seq = (SELECT max(n.seq) FROM outbox AS n WHERE n.topic = m.topic AND n.retain))"


@dataclass(frozen=True, slots=True)
class Acknowledge(Transaction[None]):
    """Mark messages, by their numbers in the outbox, as acknowledged by the broker."""

    kind: ClassVar[str] = "acknowledge"
    together: ClassVar[bool] = True
    seqs: tuple[int, ...]
    utc_ns: int

    def apply(self, access: Access) -> None:
        access.many(
            "mark",
            "UPDATE delivery SET state = 'acknowledged', acknowledged_utc_ns = ?, attempts = attempts + 1, "
            "last_error = '', quarantined = 0, refused_utc_ns = NULL WHERE seq = ?",
            [(self.utc_ns, seq) for seq in self.seqs],
        )


@dataclass(frozen=True, slots=True)
class Refused(Transaction[None]):
    """Mark a message as refused and keep the reason.  With `for_good` it goes into quarantine."""

    kind: ClassVar[str] = "refused"
    together: ClassVar[bool] = True
    seq: int
    reason: str
    utc_ns: int
    for_good: bool = False

    def apply(self, access: Access) -> None:
        access.run(
            "mark",
            "UPDATE delivery SET state = 'refused', attempts = attempts + 1, last_error = ?, quarantined = ?, "
            "refused_utc_ns = coalesce(refused_utc_ns, ?) WHERE seq = ? AND state <> 'acknowledged'",
            (self.reason, int(self.for_good), self.utc_ns, self.seq),
        )


@dataclass(frozen=True, slots=True)
class MarkChanged(Transaction[None]):
    """Mark messages, by their numbers in the outbox, as changed after they were stored, so that they are not sent."""

    kind: ClassVar[str] = "mark_changed"
    seqs: tuple[int, ...]
    utc_ns: int

    def apply(self, access: Access) -> None:
        access.many("mark", _CHANGED, [(self.utc_ns, seq) for seq in self.seqs])


@dataclass(frozen=True, slots=True)
class ReleaseTopic(Transaction[int]):
    """Let the refused messages of a topic wait again, because the broker has acknowledged message `taken` of it.

    Returns their number.
    """

    kind: ClassVar[str] = "release_topic"
    topic: str
    taken: int

    def apply(self, access: Access) -> int:
        access.run("settle", f"{_SETTLE} m.topic = ? AND m.seq < ?)", (self.topic, self.taken))
        return access.run(
            "mark",
            "UPDATE delivery SET state = 'waiting' WHERE state = 'refused' AND state <> 'acknowledged' "
            "AND NOT quarantined AND EXISTS (SELECT 1 FROM outbox AS m WHERE m.seq = delivery.seq AND m.topic = ?)",
            (self.topic,),
        ).rowcount


@dataclass(frozen=True, slots=True)
class ReleaseRefused(Transaction[int]):
    """Let all refused messages wait again, quarantined or not, on a person's command; with an audit entry.

    A `stream` limits this to its messages.  Messages that do not agree with the audit trail are marked and not sent.
    Returns the number of messages that wait again.
    """

    kind: ClassVar[str] = "release_refused"
    utc_ns: int
    who: str
    stream: str = ""

    def apply(self, access: Access) -> int:
        newer = "EXISTS (SELECT 1 FROM outbox AS n WHERE n.topic = m.topic AND n.retain AND n.seq > m.seq)"
        stream = "(?1 = '' OR m.stream = ?1)"
        refused = f"d.state = 'refused' AND d.state <> 'acknowledged' AND {stream}"
        _, wrong, _ = agreeing(access, refused, (self.stream,))
        access.many("changed", _CHANGED, [(self.utc_ns, seq) for seq in wrong])
        access.run("settle", f"{_SETTLE} {stream} AND {newer})", (self.stream,))
        good, _, _ = agreeing(access, refused, (self.stream,))
        access.many("mark", _RELEASE, [(self.utc_ns, seq) for seq in good])
        count = len(good)
        detail = {"refused": True, "messages": count, "changed": len(wrong)}
        add_audit(access, self.utc_ns, self.who, "messages_sent_again", self.stream or "all", detail)
        return count


@dataclass(frozen=True, slots=True, kw_only=True)
class SendAgain(Transaction[int]):
    """Put delivered messages of results back into the outbox: same ids, same bytes, never a retained one.

    Args:
        stream: limits this to messages of the stream; "" for all.
        epoch: epoch in which `sequences` count; None for the database's own.
        sequences: first and last sequence number of the stream's results; needs `stream`.
        committed: first and last time of commit, UTC ns.
        who: the person who asks, for the audit trail; None for a consumer, whose requests are counted and logged only.

    Returns the number of messages.
    """

    kind: ClassVar[str] = "send_again"
    stream: str = ""
    epoch: int | None = None
    sequences: tuple[int, int] | None = None
    committed: tuple[int, int] | None = None
    utc_ns: int
    who: str | None

    def apply(self, access: Access) -> int:
        terms = ["d.state = 'acknowledged'", "NOT m.retain"]
        values: list[Any] = []
        detail: dict[str, Any] = {}
        if self.stream:
            terms.append("m.stream = ?")
            values.append(self.stream)
        if self.sequences is not None:
            first, last = self.sequences
            epoch = access.epoch if self.epoch is None else self.epoch
            terms.append(
                "m.result IN (SELECT id FROM results AS r WHERE r.epoch = ? AND r.stream = ? "
                "AND r.sequence BETWEEN ? AND ?) AND m.sequence BETWEEN ? AND ?"
            )
            values += [epoch, self.stream, first, last, first, last]
            detail |= {"epoch": epoch, "first": first, "last": last}
        if self.committed is not None:
            terms.append("m.created_utc_ns BETWEEN ? AND ?")
            values += self.committed
            detail |= {"from_utc_ns": self.committed[0], "to_utc_ns": self.committed[1]}
        where = " AND ".join(terms)
        if self.who is not None:
            _refuse_changed(access, where, values)
        count = _again(access, self.utc_ns, where, values, BY_CONTENT)
        if self.who is not None:
            detail["messages"] = count
            add_audit(access, self.utc_ns, self.who, "messages_sent_again", self.stream or "all", detail)
        return count


@dataclass(frozen=True, slots=True)
class RepeatSince(Transaction[int]):
    """Let messages acknowledged at or after a time (UTC ns) wait again; of retained ones only the newest of each topic.

    Returns the number of messages.
    """

    kind: ClassVar[str] = "repeat_since"
    acknowledged_utc_ns: int
    utc_ns: int

    def apply(self, access: Access) -> int:
        where = f"d.state = 'acknowledged' AND d.acknowledged_utc_ns >= ? AND {_NEWEST}"
        return _again(access, self.utc_ns, where, (self.acknowledged_utc_ns,), BY_STATE)


@dataclass(frozen=True, slots=True)
class RepeatAfter(Transaction[int]):
    """Let the acknowledged messages of a stream wait again from number `seq` + 1 of the outbox on.

    The broker still has message `seq`.

    Returns the number of messages.
    """

    kind: ClassVar[str] = "repeat_after"
    stream: str
    seq: int
    acknowledged_utc_ns: int
    """Earliest time of acknowledgement, UTC ns."""
    utc_ns: int

    def apply(self, access: Access) -> int:
        where = f"d.state = 'acknowledged' AND d.acknowledged_utc_ns >= ? AND m.stream = ? AND m.seq > ? AND {_NEWEST}"
        return _again(access, self.utc_ns, where, (self.acknowledged_utc_ns, self.stream, self.seq), BY_STATE)


def _refuse_changed(access: Access, where: str, values: Sequence[Any]) -> None:
    """Refuse a person's command for messages of which one was changed after it was stored.

    Raises:
        StoreError: a message does not agree with the audit trail; the text names the first.
    """
    _, _, wrong = agreeing(access, where, values, source=BY_CONTENT)
    if wrong:
        raise StoreError(f"{wrong}; nothing is sent again: run `daq verify`, and choose a range without it")


def _again(access: Access, utc_ns: int, where: str, values: Sequence[Any], source: str) -> int:
    """Let the messages that satisfy a condition wait again, and return their number.

    A message that was changed after it was stored stays where it is; `daq doctor` names it.
    """
    seqs, _, _ = agreeing(access, where, values, source=source)
    access.many("mark", _AGAIN, [(utc_ns, seq) for seq in seqs])
    return len(seqs)


@dataclass(frozen=True, slots=True)
class NoteSession(Transaction[None]):
    """Store that the broker knew this daemon at a time (UTC ns); `is_open` is true until an orderly end."""

    kind: ClassVar[str] = "note_session"
    broker: str
    known_utc_ns: int
    is_open: bool

    def apply(self, access: Access) -> None:
        access.run(
            "session",
            "INSERT INTO broker_session VALUES (1, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET "
            "broker = excluded.broker, known_utc_ns = excluded.known_utc_ns, open = excluded.open",
            (self.broker, self.known_utc_ns, int(self.is_open)),
        )
