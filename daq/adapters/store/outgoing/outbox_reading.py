"""Queries of the outbox and of the last session with the broker."""

import json
from dataclasses import dataclass
from typing import Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import BY_CONTENT, CHANGED, BrokerSession, Message

_REFUSED: Final = "d.state = 'refused' AND d.state <> 'acknowledged'"
"""The second term repeats the condition of the partial index `delivery_pending`."""


@dataclass(frozen=True, slots=True)
class RefusedTopic:
    """Refused messages of one topic that are tried again."""

    topic: str
    messages: int
    attempts: int
    """Number of attempts with the message tried most often."""
    since_utc_ns: int | None
    reason: str


def refused_topics(reader: Reader) -> list[RefusedTopic]:
    """Return the refused messages by topic, without those in quarantine."""
    rows = reader.query(
        "SELECT m.topic, count(*) AS messages, max(d.attempts) AS attempts, min(d.refused_utc_ns) AS since_utc_ns, "
        "d.last_error AS reason FROM delivery AS d CROSS JOIN outbox AS m ON m.seq = d.seq "
        "WHERE d.state = 'refused' AND d.state <> 'acknowledged' AND NOT d.quarantined "
        "GROUP BY m.topic ORDER BY m.topic"
    )
    return [RefusedTopic(**row) for row in rows]


def next_try(reader: Reader, topic: str) -> Message | None:
    """Return the refused message with which to try a topic: the newest retained one, otherwise the one tried least."""
    order = "CASE WHEN m.retain THEN -m.seq ELSE d.attempts END, m.seq"
    found = reader.outbox(f"{_REFUSED} AND m.topic = ? AND NOT d.quarantined ORDER BY {order}", [topic], 1)
    return found[0] if found else None


def quarantined(reader: Reader, *, limit: int = 100) -> list[Message]:
    """Return the messages in quarantine, oldest first."""
    return reader.outbox(f"{_REFUSED} AND d.quarantined AND d.last_error <> ? ORDER BY d.seq", [CHANGED], limit)


def changed_messages(reader: Reader, *, limit: int = 100) -> list[Message]:
    """Return the messages that are not sent because they do not agree with the audit trail, oldest first."""
    return reader.outbox(f"{_REFUSED} AND d.quarantined AND d.last_error = ? ORDER BY d.seq", [CHANGED], limit)


def last_acknowledged(reader: Reader) -> int | None:
    """Return the time of the newest acknowledgement, UTC ns, or None."""
    (row,) = reader.query("SELECT max(acknowledged_utc_ns) AS t FROM delivery WHERE acknowledged_utc_ns IS NOT NULL")
    return row["t"] if row["t"] is None else int(row["t"])


def last_sequences(reader: Reader, epoch: int) -> dict[str, int]:
    """Return the last sequence number of each stream in an epoch."""
    sql = "SELECT stream, last FROM streams WHERE epoch = ? ORDER BY stream"
    return dict(reader.rows(sql, [epoch], damaged_text=True))


def last_audit_numbers(reader: Reader, before: int) -> dict[str, int]:
    """Return the number of the audit entry of each stream's last result in the epochs before `before`."""
    # This takes one step of an index for each epoch and stream; GROUP BY would read every result.
    # A number that was changed must not be larger than those of all later results, which would never be sent then.
    sql = (
        "WITH RECURSIVE e (epoch) AS (SELECT min(epoch) FROM results UNION ALL "
        "SELECT (SELECT min(epoch) FROM results WHERE epoch > e.epoch) FROM e WHERE e.epoch NOT NULL), "
        "s (stream) AS (SELECT min(stream) FROM results UNION ALL "
        "SELECT (SELECT min(stream) FROM results WHERE stream > s.stream) FROM s WHERE s.stream NOT NULL), "
        "l (stream, number) AS (SELECT s.stream, (SELECT max(audit_seq) FROM results AS r "
        "WHERE r.stream = s.stream AND r.epoch = e.epoch) FROM s, e WHERE s.stream NOT NULL AND e.epoch < ?) "
        "SELECT stream, min(max(number), (SELECT max(seq) FROM audit)) FROM l WHERE number NOT NULL "
        "GROUP BY stream ORDER BY stream"
    )
    return dict(reader.rows(sql, [before], damaged_text=True))


def broker_session(reader: Reader) -> BrokerSession | None:
    """Return the stored session with the broker, or None."""
    rows = reader.query("SELECT broker, known_utc_ns, open FROM broker_session")
    return BrokerSession(rows[0]["broker"], rows[0]["known_utc_ns"], bool(rows[0]["open"])) if rows else None


def newest_retained(reader: Reader, topics: list[str]) -> dict[str, Message]:
    """Return, by topic, the newest retained message that the broker acknowledged."""
    found = {}
    for topic in topics:
        where = "m.topic = ? AND m.retain AND d.acknowledged_utc_ns IS NOT NULL ORDER BY m.seq DESC"
        rows = reader.outbox(where, [topic], 1, source=BY_CONTENT)
        if rows:
            found[topic] = rows[0]
    return found


def retained_topics(reader: Reader) -> list[str]:
    """Return the topics of all retained messages."""
    # This takes one step of the index for each topic; SELECT DISTINCT would read every retained message.
    rows = reader.query(
        "WITH RECURSIVE t (topic) AS (SELECT min(topic) FROM outbox WHERE retain UNION ALL "
        "SELECT (SELECT min(topic) FROM outbox WHERE retain AND outbox.topic > t.topic) FROM t WHERE t.topic NOT NULL) "
        "SELECT topic FROM t WHERE topic NOT NULL"
    )
    return [row["topic"] for row in rows]


def _id_in(payload: bytes) -> str | None:
    """Return the id in the envelope of a message; None where it has none."""
    try:
        event = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    found = event.get("id") if isinstance(event, dict) else None
    return found if isinstance(found, str) else None


def retained_with(reader: Reader, topic: str, payload: bytes) -> Message | None:
    """Return the newest retained message of a topic with this payload, or None."""
    where = "m.topic = ? AND m.retain AND m.payload = ? ORDER BY m.seq DESC"
    found = reader.outbox(where, [topic, payload], 1, source=BY_CONTENT)
    if not found:
        # A packed payload is found by the id that the message has in its envelope.
        ident = _id_in(payload)
        where = "m.id = ? AND m.topic = ? AND m.retain AND substr(m.payload, 1, 1) = x'00' ORDER BY m.seq DESC"
        same = [] if ident is None else reader.outbox(where, [ident, topic], -1, source=BY_CONTENT)
        found = [m for m in same if m.payload == payload]
    return found[0] if found else None
