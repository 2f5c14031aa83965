"""Orders to send messages again, and the state of the outbox, for the command line and the daemon."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daq.adapters.outbox.publisher_state import BrokerState
from daq.adapters.sparkplug.memory import ChangedResult, read_changed
from daq.adapters.store.outgoing.outbox_reading import (
    changed_messages,
    last_acknowledged,
    last_sequences,
    quarantined,
    refused_topics,
)
from daq.adapters.store.outgoing.sealed import changed_results
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import Message, ResultRecord
from daq.app.screens.text import utc_iso
from daq.core.errors import SettingError

if TYPE_CHECKING:
    from daq.adapters.store.outgoing.delivery import ReleaseRefused, SendAgain
    from daq.app.delivery.resend_order import ResendOrder

SHOWN: Final = 100
"""Largest number of messages in quarantine that are listed one by one."""


def transaction_of(order: "ResendOrder", utc_ns: int, who: str) -> "SendAgain | ReleaseRefused":
    """Return the transaction of the store that carries out the order; `who` is the login that gave it.

    Raises:
        SettingError: the order selects nothing, or in two ways at once.
    """
    from daq.adapters.store.outgoing.delivery import ReleaseRefused, SendAgain  # a view of the outbox changes nothing

    numbers = order.first is not None and order.last is not None
    times = order.begin_utc_ns is not None and order.end_utc_ns is not None
    if numbers + times + order.refused != 1:
        raise SettingError("say what to send again: numbers, times, or what was refused, one of them")
    if order.refused:
        return ReleaseRefused(utc_ns, who, order.instrument)
    if order.first is not None and order.last is not None:
        if not order.instrument:
            raise SettingError("sequence numbers count per instrument: say which", key="--instrument")
        return SendAgain(
            stream=order.instrument,
            epoch=order.epoch,
            sequences=_in_order(order.first, order.last),
            utc_ns=utc_ns,
            who=who,
        )
    span = _in_order(order.begin_utc_ns or 0, order.end_utc_ns or 0)
    return SendAgain(stream=order.instrument, committed=span, utc_ns=utc_ns, who=who)


def _in_order(first: int, last: int) -> tuple[int, int]:
    if first > last:
        raise SettingError("the end lies before the beginning", key="--to")
    return first, last


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicShown:
    """Topic whose messages the broker refused; they are tried again."""

    topic: str
    messages: int
    reason: str
    since: str | None
    """UTC, ISO 8601."""
    attempts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageShown:
    """Message in quarantine, or changed after it was stored."""

    id: str
    instrument: str
    sequence: int
    topic: str
    reason: str
    since: str | None
    attempts: int
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultShown:
    """Result that was changed after it was stored, and that the Sparkplug node does not send."""

    id: str
    instrument: str
    sequence: int
    since: str | None
    """Time at which the change was found: UTC, ISO 8601."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxView:
    """State of the outbox; times in UTC, ISO 8601."""

    waiting: int
    oldest: str | None
    oldest_age_s: float | None
    refused: int
    refused_topics: tuple[TopicShown, ...]
    quarantined: int
    quarantine: tuple[MessageShown, ...]
    """The first `SHOWN` of them."""
    changed: int
    """Number of messages that are not sent because they do not agree with the audit trail."""
    changed_messages: tuple[MessageShown, ...]
    """The first `SHOWN` of them."""
    changed_results: tuple[ResultShown, ...]
    """Results that the Sparkplug node does not send because they do not agree with the audit trail."""
    last_acknowledged: str | None
    sequences: dict[str, int]
    """Last number of each stream."""
    daemon: BrokerState | None
    """Connection of the running daemon; None if none runs."""
    fallbacks: tuple[str, ...] = ()
    """Brokers with which MQTT 3.1.1 is used because they do not support MQTT 5, each with the reason."""


def outbox_view(reader: Reader, utc_ns: int, daemon: BrokerState | None, fallbacks: Sequence[str] = ()) -> OutboxView:
    """Return the state of the outbox with that of the running daemon's connection.

    `fallbacks` has a sentence for each broker with which MQTT 3.1.1 is used.
    """
    depth = reader.outbox_depth()
    source, epoch = reader.identity()
    oldest = depth.oldest_utc_ns
    return OutboxView(
        waiting=depth.waiting,
        oldest=utc_iso(oldest),
        oldest_age_s=max(0.0, (utc_ns - oldest) / 1e9) if oldest is not None else None,
        refused=depth.refused,
        refused_topics=tuple(
            TopicShown(
                topic=t.topic,
                messages=t.messages,
                reason=t.reason,
                since=utc_iso(t.since_utc_ns),
                attempts=t.attempts,
            )
            for t in refused_topics(reader)
        ),
        quarantined=depth.quarantined,
        quarantine=tuple(map(_shown, quarantined(reader, limit=SHOWN))),
        changed=depth.changed,
        changed_messages=tuple(map(_shown, changed_messages(reader, limit=SHOWN))),
        changed_results=tuple(map(_result_shown, unsent_results(reader, read_changed(reader.path.parent, source)))),
        last_acknowledged=utc_iso(last_acknowledged(reader)),
        sequences=last_sequences(reader, epoch),
        daemon=daemon,
        fallbacks=tuple(fallbacks),
    )


def unsent_results(reader: Reader, noted: Iterable[ChangedResult]) -> list[ChangedResult]:
    """Return those of the results noted as changed that still do not agree with the audit trail."""
    return [n for n in noted if changed_results(_stored(reader, n), reader.rows)]


def _stored(reader: Reader, noted: ChangedResult) -> list[ResultRecord]:
    # Not a condition on the id, because a damaged one is no text in SQL.
    found = reader.result_rows("stream = ? AND sequence = ?", [noted.device, noted.sequence], -1)
    return [record for record in found if record.id == noted.id]


def _result_shown(r: ChangedResult) -> ResultShown:
    return ResultShown(id=r.id, instrument=r.device, sequence=r.sequence, since=utc_iso(r.found_utc_ns))


def _shown(m: Message) -> MessageShown:
    return MessageShown(
        id=m.id,
        instrument=m.stream,
        sequence=m.sequence,
        topic=m.topic,
        reason=m.last_error,
        since=utc_iso(m.refused_utc_ns),
        attempts=m.attempts,
        bytes=len(m.payload),
    )
