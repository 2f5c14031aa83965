"""What is written about messages on their way to the broker: taken, refused, put into the outbox again.

A message is ``waiting``, ``acknowledged`` or ``refused``.  A refused one is tried again by the publisher unless it is
``quarantined``: then only a person's command brings it back.  Whatever goes out again has the same id and bytes.

Retained messages show the newest state of something.  An old one is never sent after a newer one of its topic: it is
settled, which is ``acknowledged`` without a time.
"""

# ruff: noqa: D102 - the docstring of each class says what its `apply` does

from dataclasses import dataclass
from typing import Any, ClassVar, Final

from daq.adapters.store.access import Access
from daq.adapters.store.steps import add_audit
from daq.adapters.store.transactions import Transaction

SETTLED: Final = "not sent: a newer one of this topic took its place"

_SETTLE: Final = (
    f"UPDATE outbox SET state = 'acknowledged', quarantined = 0, last_error = '{SETTLED}' "  # noqa: S608 - our text
    "WHERE state = 'refused' AND retain AND "
)
_AGAIN: Final = "UPDATE outbox SET state = 'waiting', acknowledged_utc_ns = NULL, again_utc_ns = ? "
_NEWEST: Final = "(NOT retain OR seq = (SELECT max(n.seq) FROM outbox AS n WHERE n.topic = outbox.topic AND n.retain))"


@dataclass(frozen=True, slots=True)
class Acknowledge(Transaction[None]):
    """The broker took these messages (numbers in the outbox)."""

    kind: ClassVar[str] = "acknowledge"
    together: ClassVar[bool] = True
    seqs: tuple[int, ...]
    utc_ns: int

    def apply(self, access: Access) -> None:
        access.many(
            "mark",
            "UPDATE outbox SET state = 'acknowledged', acknowledged_utc_ns = ?, attempts = attempts + 1, "
            "last_error = '', quarantined = 0, refused_utc_ns = NULL WHERE seq = ?",
            [(self.utc_ns, seq) for seq in self.seqs],
        )


@dataclass(frozen=True, slots=True)
class Refused(Transaction[None]):
    """The broker refused a message; it is kept with the reason.  `for_good`: it is put into quarantine."""

    kind: ClassVar[str] = "refused"
    together: ClassVar[bool] = True
    seq: int
    reason: str
    utc_ns: int
    for_good: bool = False

    def apply(self, access: Access) -> None:
        access.run(
            "mark",
            "UPDATE outbox SET state = 'refused', attempts = attempts + 1, last_error = ?, quarantined = ?, "
            "refused_utc_ns = coalesce(refused_utc_ns, ?) WHERE seq = ? AND state <> 'acknowledged'",
            (self.reason, int(self.for_good), self.utc_ns, self.seq),
        )


@dataclass(frozen=True, slots=True)
class ReleaseTopic(Transaction[int]):
    """The broker takes messages of this topic again, as number `taken` shows: those it refused before wait once more.

    Answers how many.
    """

    kind: ClassVar[str] = "release_topic"
    topic: str
    taken: int

    def apply(self, access: Access) -> int:
        access.run("settle", f"{_SETTLE} topic = ? AND seq < ?", (self.topic, self.taken))
        return access.run(
            "mark",
            "UPDATE outbox SET state = 'waiting' WHERE state = 'refused' AND topic = ? AND NOT quarantined",
            (self.topic,),
        ).rowcount


@dataclass(frozen=True, slots=True)
class ReleaseRefused(Transaction[int]):
    """A person wants what was refused to be sent again, quarantined or not; of one stream where given.  Audited.

    Answers how many.
    """

    kind: ClassVar[str] = "release_refused"
    utc_ns: int
    who: str
    stream: str = ""

    def apply(self, access: Access) -> int:
        newer = "EXISTS (SELECT 1 FROM outbox AS n WHERE n.topic = outbox.topic AND n.retain AND n.seq > outbox.seq)"
        stream = "(?1 = '' OR stream = ?1)"
        access.run("settle", f"{_SETTLE} {stream} AND {newer}", (self.stream,))
        count = access.run(
            "mark",
            "UPDATE outbox SET state = 'waiting', quarantined = 0, refused_utc_ns = NULL, again_utc_ns = ?2 "  # noqa: S608
            f"WHERE state = 'refused' AND {stream}",
            (self.stream, self.utc_ns),
        ).rowcount
        detail = {"refused": True, "messages": count}
        add_audit(access, self.utc_ns, self.who, "messages_sent_again", self.stream or "all", detail)
        return count


@dataclass(frozen=True, slots=True, kw_only=True)
class SendAgain(Transaction[int]):
    """Put delivered messages of results back into the outbox: same ids, same bytes, never a retained one.

    Args:
        stream: only of this stream.
        epoch: whose numbers `sequences` are; None takes the database's own.
        sequences: first and last of the stream's results; need `stream`.
        committed: first and last time of commit, UTC ns.
        who: who asks; None for a consumer, whose requests are counted and logged but not audited.

    Answers how many messages that were.
    """

    kind: ClassVar[str] = "send_again"
    stream: str = ""
    epoch: int | None = None
    sequences: tuple[int, int] | None = None
    committed: tuple[int, int] | None = None
    utc_ns: int
    who: str | None

    def apply(self, access: Access) -> int:
        terms = ["state = 'acknowledged'", "NOT retain"]
        values: list[Any] = []
        detail: dict[str, Any] = {}
        if self.stream:
            terms.append("stream = ?")
            values.append(self.stream)
        if self.sequences is not None:
            first, last = self.sequences
            epoch = access.epoch if self.epoch is None else self.epoch
            terms.append(
                "result IN (SELECT id FROM results AS r WHERE r.epoch = ? AND r.stream = ? "
                "AND r.sequence BETWEEN ? AND ?) AND sequence BETWEEN ? AND ?"
            )
            values += [epoch, self.stream, first, last, first, last]
            detail |= {"epoch": epoch, "first": first, "last": last}
        if self.committed is not None:
            terms.append("created_utc_ns BETWEEN ? AND ?")
            values += self.committed
            detail |= {"from_utc_ns": self.committed[0], "to_utc_ns": self.committed[1]}
        count = access.run(
            "mark",
            f"{_AGAIN} WHERE {' AND '.join(terms)}",
            (self.utc_ns, *values),
        ).rowcount
        if self.who is not None:
            detail["messages"] = count
            add_audit(access, self.utc_ns, self.who, "messages_sent_again", self.stream or "all", detail)
        return count


@dataclass(frozen=True, slots=True)
class RepeatSince(Transaction[int]):
    """Put back what was acknowledged at or after a time; of retained messages only the newest of each topic.

    Answers how many messages that were.
    """

    kind: ClassVar[str] = "repeat_since"
    acknowledged_utc_ns: int
    utc_ns: int

    def apply(self, access: Access) -> int:
        return access.run(
            "mark",
            f"{_AGAIN} WHERE state = 'acknowledged' AND acknowledged_utc_ns >= ? AND {_NEWEST}",
            (self.utc_ns, self.acknowledged_utc_ns),
        ).rowcount


@dataclass(frozen=True, slots=True)
class RepeatAfter(Transaction[int]):
    """Put back what was acknowledged of a stream and stands in the outbox behind a number, which the broker still has.

    Answers how many messages that were.
    """

    kind: ClassVar[str] = "repeat_after"
    stream: str
    seq: int
    acknowledged_utc_ns: int
    """At or after this time."""
    utc_ns: int

    def apply(self, access: Access) -> int:
        return access.run(
            "mark",
            f"{_AGAIN} WHERE state = 'acknowledged' AND acknowledged_utc_ns >= ? AND stream = ? AND seq > ? "
            f"AND {_NEWEST}",
            (self.utc_ns, self.acknowledged_utc_ns, self.stream, self.seq),
        ).rowcount


@dataclass(frozen=True, slots=True)
class NoteSession(Transaction[None]):
    """The broker knows us since or still at a time; `is_open` until we say farewell."""

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
