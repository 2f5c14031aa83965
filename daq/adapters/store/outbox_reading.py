"""Queries of the outbox and of the last session with the broker."""

from dataclasses import dataclass

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import BrokerSession, Message
from daq.adapters.store.sealed import CHANGED


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
        "SELECT topic, count(*) AS messages, max(attempts) AS attempts, min(refused_utc_ns) AS since_utc_ns, "
        "last_error AS reason FROM outbox WHERE state = 'refused' AND NOT quarantined GROUP BY topic ORDER BY topic"
    )
    return [RefusedTopic(**row) for row in rows]


def next_try(reader: Reader, topic: str) -> Message | None:
    """Return the refused message with which to try a topic: the newest retained one, otherwise the one tried least."""
    order = "state = 'refused' AND topic = ? AND NOT quarantined ORDER BY CASE WHEN retain THEN -seq ELSE attempts END"
    found = reader.outbox(f"{order}, seq", [topic], 1)
    return found[0] if found else None


def quarantined(reader: Reader, *, limit: int = 100) -> list[Message]:
    """Return the messages in quarantine, oldest first."""
    return reader.outbox("state = 'refused' AND quarantined AND last_error <> ? ORDER BY seq", [CHANGED], limit)


def changed_messages(reader: Reader, *, limit: int = 100) -> list[Message]:
    """Return the messages that are not sent because they do not agree with the audit trail, oldest first."""
    return reader.outbox("state = 'refused' AND quarantined AND last_error = ? ORDER BY seq", [CHANGED], limit)


def last_acknowledged(reader: Reader) -> int | None:
    """Return the time of the newest acknowledgement, UTC ns, or None."""
    (row,) = reader.query("SELECT max(acknowledged_utc_ns) AS t FROM outbox WHERE acknowledged_utc_ns IS NOT NULL")
    return row["t"] if row["t"] is None else int(row["t"])


def last_sequences(reader: Reader, epoch: int) -> dict[str, int]:
    """Return the last sequence number of each stream in an epoch."""
    sql = "SELECT stream, max(sequence) FROM results WHERE epoch = ? GROUP BY stream ORDER BY stream"
    return dict(reader.rows(sql, [epoch], damaged_text=True))


def broker_session(reader: Reader) -> BrokerSession | None:
    """Return the stored session with the broker, or None."""
    rows = reader.query("SELECT broker, known_utc_ns, open FROM broker_session")
    return BrokerSession(rows[0]["broker"], rows[0]["known_utc_ns"], bool(rows[0]["open"])) if rows else None


def newest_retained(reader: Reader, topics: list[str]) -> dict[str, Message]:
    """Return, by topic, the newest retained message that the broker acknowledged."""
    found = {}
    for topic in topics:
        rows = reader.outbox("topic = ? AND retain AND acknowledged_utc_ns IS NOT NULL ORDER BY seq DESC", [topic], 1)
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


def retained_with(reader: Reader, topic: str, payload: bytes) -> Message | None:
    """Return the newest retained message of a topic with this payload, or None."""
    found = reader.outbox("topic = ? AND retain AND payload = ? ORDER BY seq DESC", [topic, payload], 1)
    return found[0] if found else None
