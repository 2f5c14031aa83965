"""Messages that a person wants to be sent again, and how the outbox stands: for the command line and the daemon."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from daq.adapters.outbox.publisher_state import BrokerState
from daq.adapters.store.delivery import ReleaseRefused, SendAgain
from daq.adapters.store.outbox_reading import last_acknowledged, last_sequences, quarantined, refused_topics
from daq.adapters.store.reading import Reader
from daq.app.screens.text import utc_iso
from daq.core.errors import SettingError

SHOWN: Final = 100
"""So many messages in quarantine are named one by one."""
LARGEST: Final = 2**63 - 1
"""Largest number the database can compare with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResendOrder:
    """What to send again: either `refused`, or results from one number or time to another.

    Attributes:
        instrument: whose messages; "" takes all (needed for numbers, which count per instrument).
        first, last: sequence numbers, both included.
        begin_utc_ns, end_utc_ns: times of commit, both included.
        epoch: whose numbers; None takes the present one.
        who: who asks, for the audit trail.
    """

    who: str
    instrument: str = ""
    refused: bool = False
    first: int | None = None
    last: int | None = None
    begin_utc_ns: int | None = None
    end_utc_ns: int | None = None
    epoch: int | None = None

    def transaction(self, utc_ns: int) -> SendAgain | ReleaseRefused:
        """What the store does for it.

        Raises:
            SettingError: it asks for nothing, or for two things at once.
        """
        numbers = self.first is not None and self.last is not None
        times = self.begin_utc_ns is not None and self.end_utc_ns is not None
        if numbers + times + self.refused != 1:
            raise SettingError("say what to send again: numbers, times, or what was refused, one of them")
        if self.refused:
            return ReleaseRefused(utc_ns, self.who, self.instrument)
        if self.first is not None and self.last is not None:
            if not self.instrument:
                raise SettingError("sequence numbers count per instrument: say which", key="--instrument")
            return SendAgain(
                stream=self.instrument,
                epoch=self.epoch,
                sequences=_in_order(self.first, self.last),
                utc_ns=utc_ns,
                who=self.who,
            )
        span = _in_order(self.begin_utc_ns or 0, self.end_utc_ns or 0)
        return SendAgain(stream=self.instrument, committed=span, utc_ns=utc_ns, who=self.who)


def _in_order(first: int, last: int) -> tuple[int, int]:
    if first > last:
        raise SettingError("the end lies before the beginning", key="--to")
    if last > LARGEST:
        raise SettingError("is too large", key="--to")
    return first, last


def read_moment(text: str, *, end: bool) -> int:
    """A moment as UTC ns from ISO 8601; without an offset it is this machine's time.

    A date alone is its first moment, or with `end` its last; a time without parts of a second includes that second.

    Raises:
        ValueError: it is none.
    """
    moment = datetime.fromisoformat(text)
    whole_day = len(text) <= len("2026-11-26")
    if end and whole_day:
        try:
            # Counted on the calendar: a day on which clocks change has 23 or 25 hours.
            return _utc_ns(moment + timedelta(days=1)) - 1
        except OverflowError:
            raise ValueError(f"after {text} the calendar ends") from None
    if not end:
        return _utc_ns(moment)
    # Of an hour that clocks repeat, the second one: nothing of what was meant may be left out.
    return _utc_ns(moment.replace(fold=1)) + (10**9 - 1 if moment.microsecond == 0 else 999)


def _utc_ns(moment: datetime) -> int:
    since = (moment if moment.tzinfo is not None else moment.astimezone()) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 10**9 + since.microseconds * 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicShown:
    """A topic whose messages the broker refused; they are tried again."""

    topic: str
    messages: int
    reason: str
    since: str | None
    """UTC, ISO 8601."""
    attempts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageShown:
    """A message in quarantine."""

    id: str
    instrument: str
    sequence: int
    topic: str
    reason: str
    since: str | None
    attempts: int
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxView:
    """The state of the outbox; times in UTC, ISO 8601."""

    waiting: int
    oldest: str | None
    oldest_age_s: float | None
    refused: int
    refused_topics: tuple[TopicShown, ...]
    quarantined: int
    quarantine: tuple[MessageShown, ...]
    """The first of them."""
    last_acknowledged: str | None
    sequences: dict[str, int]
    """Last number of each stream."""
    daemon: BrokerState | None
    """The daemon's connection; None where none runs."""


def outbox_view(reader: Reader, utc_ns: int, daemon: BrokerState | None) -> OutboxView:
    """Return the state of the outbox, and of the running daemon's connection."""
    depth = reader.outbox_depth()
    _, epoch = reader.identity()
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
        quarantine=tuple(
            MessageShown(
                id=m.id,
                instrument=m.stream,
                sequence=m.sequence,
                topic=m.topic,
                reason=m.last_error,
                since=utc_iso(m.refused_utc_ns),
                attempts=m.attempts,
                bytes=len(m.payload),
            )
            for m in quarantined(reader, limit=SHOWN)
        ),
        last_acknowledged=utc_iso(last_acknowledged(reader)),
        sequences=last_sequences(reader, epoch),
        daemon=daemon,
    )
