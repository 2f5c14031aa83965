"""Records that go into the store and come out of it.  Times are UTC in integer nanoseconds since 1970."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

CHANGED: Final = "changed after it was stored: it does not agree with the audit trail"
"""`last_error` of a message that is not sent for this reason."""
SETTLED: Final = "not sent: a newer one of this topic took its place"
"""The same of a retained message that is settled."""

BY_STATE: Final = "FROM delivery AS d CROSS JOIN outbox AS m ON m.seq = d.seq"
"""Source of messages with states, for a query that chooses by state or time of delivery; SQLite reads `d` first."""
BY_CONTENT: Final = "FROM outbox AS m CROSS JOIN delivery AS d ON d.seq = m.seq"
"""The same for a query that chooses by number, result, stream or topic; SQLite reads `m` first."""
PENDING: Final = "state IN ('waiting', 'refused') AND state <> 'acknowledged'"
"""Condition of a message that is not acknowledged.

The second term repeats the condition of the partial index `delivery_pending`, and the first one lets SQLite search it.
"""
AUDITED_OF_A_RUN: Final = (
    "instrument", "companions", "sample", "product", "lot", "fill", "replicate", "sampled_at", "method_id",
    "method_version", "method_digest", "simulated", "operator", "attribution",
)  # fmt: skip
"""Columns of a run that its first audit entry repeats; the entry's time is its start, its person the login."""
AUDITED_LATER: Final[Mapping[str, Any]] = {"attribution": "unattributed"}
"""Columns of these that entries of older databases lack, with the value that their migration gave old runs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """One run.  `header` is JSON text: plan, driver states, software version."""

    id: str
    instrument: str
    method_id: str
    method_version: str
    method_digest: str
    began_utc_ns: int
    companions: tuple[str, ...] = ()
    sample: str = ""
    product: str = ""
    lot: str = ""
    fill: str = ""
    replicate: int = 1
    sampled_at: str = ""
    operator: str = ""
    attribution: str = "unattributed"
    """``authorised`` or ``not_authorised`` where the operator is a known person; otherwise ``unattributed``."""
    simulated: bool = False
    header: str = "{}"
    # The store fills in these fields during the run.
    state: str = "running"
    """``running``, ``concluded`` (its result is committed) or ``ended`` (the state of its motor is known)."""
    outcome: str = ""
    reason: str = ""
    motor: str = ""
    ended_utc_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to commit with a result; its bytes never change after that.

    Attributes:
        id: identity for the consumer; "" means the result's id.
        properties: JSON text of MQTT 5 properties: ``{"content_type": ..., "user": {name: value}}``.
    """

    topic: str
    payload: bytes
    qos: int = 1
    retain: bool = False
    id: str = ""
    properties: str = "{}"


@dataclass(frozen=True, slots=True)
class Message:
    """A message in the outbox."""

    seq: int
    id: str
    stream: str
    sequence: int
    topic: str
    qos: int
    retain: bool
    payload: bytes = field(repr=False)
    properties: str
    created_utc_ns: int
    attempts: int
    last_error: str
    state: str
    """``waiting``, ``acknowledged`` or ``refused``."""
    acknowledged_utc_ns: int | None
    quarantined: bool
    """Refused for good: sent again only by a person's command."""
    refused_utc_ns: int | None
    """Time of the first refusal, or None."""
    again_utc_ns: int | None
    """Time at which it was put into the outbox again after its delivery, or None."""
    result: str | None
    """Id of the result it is about; None where its row was falsified."""


OF_DELIVERY: Final = frozenset(
    {"attempts", "last_error", "state", "acknowledged_utc_ns", "quarantined", "refused_utc_ns", "again_utc_ns"}
)
"""Fields of a message that are columns of `delivery`; the others are columns of `outbox`."""


@dataclass(frozen=True, slots=True)
class AuditPoint:
    """Place of a result in the audit trail.

    Attributes:
        number, head: number and hash of the result's own entry.
        before_number, before: the same of the result before it, of any instrument; 0 and the hash before the first
            entry where there is none.
    """

    number: int
    head: str
    before_number: int
    before: str


@dataclass(frozen=True, slots=True)
class Committed:
    """Outcome of a `Conclude` or `Correct`.  `repeated`: the run had this result before."""

    id: str
    stream: str
    sequence: int
    audit_head: str
    journal_digest: str
    repeated: bool = False


@dataclass(frozen=True, slots=True)
class ResultRecord:
    """A stored result.  `data` is JSON text."""

    id: str
    run: str
    epoch: int
    stream: str
    sequence: int
    data: str
    created_utc_ns: int
    supersedes: str | None
    audit_seq: int
    audit_head: str
    journal_digest: str


@dataclass(frozen=True, slots=True)
class MethodRecord:
    """A registered method."""

    id: str
    version: str
    digest: str
    text: str
    registered_utc_ns: int


@dataclass(frozen=True, slots=True)
class InstrumentRecord:
    """An instrument and the time it was last connected."""

    name: str
    kind: str
    serial: str
    last_seen_utc_ns: int


@dataclass(frozen=True, slots=True)
class OutboxDepth:
    """Numbers of messages that are not acknowledged.

    Attributes:
        refused: refused messages that are tried again.
        quarantined: messages refused for good; they are not counted in `refused`.
        changed: messages that are not sent because they do not agree with the audit trail; not counted elsewhere.
        oldest_utc_ns: time at which the oldest of all was put into the outbox, None without messages.
    """

    waiting: int
    refused: int
    oldest_utc_ns: int | None
    quarantined: int = 0
    changed: int = 0


@dataclass(frozen=True, slots=True)
class BrokerSession:
    """The last session with the broker: see `NoteSession`."""

    broker: str
    known_utc_ns: int
    is_open: bool


def json_or_none(text: str | bytes | None) -> Any:
    """Return the value of a JSON text; None where it is none, for example because it is damaged."""
    try:
        return None if text is None else json.loads(text)
    except (ValueError, RecursionError):
        return None
