"""What goes into the store and what comes out of it, as plain records.  Times in UTC are integer nanoseconds."""

from dataclasses import dataclass, field


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
    simulated: bool = False
    header: str = "{}"
    # What the store fills in as the run goes on.
    state: str = "running"
    """``running``, ``concluded`` (its result is committed) or ``ended`` (its motor is accounted for)."""
    outcome: str = ""
    reason: str = ""
    motor: str = ""
    ended_utc_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to be committed with a result: its bytes are frozen from then on.

    Attributes:
        id: identity for the consumer; "" takes the result's.
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
    """Refused for good: not tried again but by a person's command."""
    refused_utc_ns: int | None
    """Since when it is refused."""
    again_utc_ns: int | None
    """When it was put into the outbox again after it had been delivered, or None."""


@dataclass(frozen=True, slots=True)
class Committed:
    """What became of a `Conclude` or `Correct`.  `repeated`: the run had its result already, and this is it."""

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
    """An instrument that was seen, and when last."""

    name: str
    kind: str
    serial: str
    last_seen_utc_ns: int


@dataclass(frozen=True, slots=True)
class OutboxDepth:
    """How many messages are not acknowledged.

    Attributes:
        refused: tried again now and then.
        quarantined: refused for good, not among `refused`.
        oldest_utc_ns: since when the oldest of all is in the outbox (None where none is).
    """

    waiting: int
    refused: int
    oldest_utc_ns: int | None
    quarantined: int = 0


@dataclass(frozen=True, slots=True)
class BrokerSession:
    """What was last known of the broker's memory: see `NoteSession`."""

    broker: str
    known_utc_ns: int
    is_open: bool
