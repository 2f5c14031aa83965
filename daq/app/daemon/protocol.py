"""Requests to the daemon (models) and its answers (dataclasses), and their lines on the control socket.

The daemon takes the identity of the client from the kernel, not from the request.

A request is one line of JSON, ``{"protocol": 4, "do": name, ...}``.  Answers are lines of JSON; their first key names
their type.  The last answer has ``"done": true``; an answer with ``"error"`` gives the reason of a refusal.
"""

import json
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from pydantic import Field

import daq
from daq.adapters.outbox.publisher_state import BrokerState
from daq.app.delivery.node_standing import NodeStanding
from daq.app.delivery.resend_order import ResendOrder
from daq.app.laboratory.given import Given
from daq.app.screens.bench.bench_view import BenchView
from daq.app.screens.bench.live_frame import LiveFrame
from daq.app.screens.run_view import RunEnd, RunView
from daq.app.setup.run_order import RunOrder
from daq.core.encoding import decode, encode, fields
from daq.core.errors import DaqError, SettingError, coded
from daq.methods.files.fields import Hidden, Model, NeededLabel
from daq.methods.files.load import Shown, parse
from daq.process.stop_request import PROTOCOL, RAISED, FailureKind, line_of, not_understood

LONGEST_REQUEST: Final = 512 * 1024
"""Greatest length of the line of a request, in bytes; the longest is a file of samples."""
TOO_LONG: Final = f"a request has at most {LONGEST_REQUEST // 1024} KiB; this one is longer"


# ---- requests


class WatchRun(Model):
    """Request for views of the run on an instrument until its end."""

    instrument: NeededLabel


class WatchBench(Model):
    """Request for views of the work at a bench, until the client disconnects."""

    instrument: NeededLabel


class WatchLive(Model):
    """Request for everything that changes on all benches, until the client disconnects."""


class StopRun(Model):
    """Request to stop the run on an instrument."""

    instrument: NeededLabel
    bench: bool = False
    """Also stop what the work at the bench does before a run: its rest and its start."""


class AskStatus(Model):
    """Request for the state of instruments, runs, store and broker."""


class Reload(Model):
    """Request to take up changed files of the configuration."""


class MakeBackup(Model):
    """Request for a checked copy of the database; the daemon sends it, and the client writes it."""


class Perform(Model):
    """Request to carry out an act on the records of the laboratory (`daq.app.laboratory.acts`)."""

    act: NeededLabel
    order: dict[str, Any] = Field(default_factory=dict, repr=False)
    """Values that the person gives; the act's own model checks them."""
    by: Given = Given()
    """Badge, person and password, or ticket of the person who acts."""


class LogIn(Model):
    """Request for a ticket, by which a person acts without giving the password again."""

    by: Given
    """Badge, or person and password."""


class LogOut(Model):
    """Request to end a ticket."""

    ticket: Hidden


class Identify(Model):
    """Request to tell who would act."""

    by: Given = Given()


class AskQuery(Model):
    """Request for the answer to a named query (`daq.app.daemon.queries.registry`)."""

    query: NeededLabel
    parameters: dict[str, Any] = Field(default_factory=dict)
    """Values of the query; its own model checks them."""
    by: Given = Given()
    """The person who asks."""


Request = (
    RunOrder
    | WatchRun
    | WatchBench
    | WatchLive
    | StopRun
    | AskStatus
    | ResendOrder
    | MakeBackup
    | Perform
    | Reload
    | LogIn
    | LogOut
    | Identify
    | AskQuery
)
REQUESTS: Final[dict[str, type[Request]]] = {
    "run": RunOrder,
    "watch": WatchRun,
    "stop": StopRun,
    "status": AskStatus,
    "resend": ResendOrder,
    "backup": MakeBackup,
    "perform": Perform,
    "reload": Reload,
    "watch_bench": WatchBench,
    "watch_live": WatchLive,
    "log_in": LogIn,
    "log_out": LogOut,
    "identify": Identify,
    "query": AskQuery,
}
NAMES: Final = {kind: name for name, kind in REQUESTS.items()}


# ---- answers


@dataclass(frozen=True, slots=True)
class Started:
    """The run has started."""

    started: str
    """Id of the run."""
    instrument: str = ""
    """Instrument of the run."""
    warnings: tuple[str, ...] = ()
    """Lines for a person before anything moves."""


@dataclass(frozen=True, slots=True)
class Viewed:
    """State of the run now."""

    view: RunView


@dataclass(frozen=True, slots=True)
class BenchViewed:
    """The work at a bench now."""

    bench_view: BenchView


@dataclass(frozen=True, slots=True)
class LiveViewed:
    """The changes on the benches."""

    live: LiveFrame


@dataclass(frozen=True, slots=True)
class Visitor:
    """A person as the records have it now, or no person."""

    person: str = ""
    """Id; "" for no person."""
    role: str = ""
    """Role in which the person acts; "" for no person."""
    people: bool = False
    """People are switched on."""


@dataclass(frozen=True, slots=True)
class LoggedIn:
    """Outcome of `LogIn`."""

    ticket: str = field(repr=False)
    visitor: Visitor


@dataclass(frozen=True, slots=True)
class LoggedOut:
    """Outcome of `LogOut`; false where the ticket had ended before."""

    logged_out: bool


@dataclass(frozen=True, slots=True)
class Identified:
    """Answer to `Identify`."""

    visitor: Visitor


@dataclass(frozen=True, slots=True)
class Queried:
    """Answer to `AskQuery`."""

    queried: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Ended:
    """The run is over."""

    outcome: RunEnd
    result: dict[str, Any] | None
    """`ResultData` as JSON; None where no result is stored."""


@dataclass(frozen=True, slots=True)
class Stopped:
    """Answer to `StopRun`; false if there was no run to stop."""

    stopped: bool


@dataclass(frozen=True, slots=True)
class InstrumentStatus:
    """State of one instrument."""

    state: str
    detail: str
    serial: str | None
    motor: str | None
    """None unless the motor may still be turning."""
    fitted: str | None = None
    """The recorded measuring geometry with its serial number; None where none is recorded."""


@dataclass(frozen=True, slots=True)
class RunStatus:
    """A run in progress."""

    run: str
    sample: str
    state: str


@dataclass(frozen=True, slots=True)
class UnfinishedStatus:
    """A run that ended and is not stored yet."""

    instrument: str
    reason: str


@dataclass(frozen=True, slots=True)
class RefusedMessage:
    """A message that the broker refused."""

    id: str
    topic: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxStatus:
    """Number of messages in the outbox by state; `trouble` gives the reason if it cannot be read."""

    trouble: str = ""
    waiting: int = 0
    refused: int = 0
    quarantined: int = 0
    changed: int = 0
    """Messages that are not sent because they do not agree with the audit trail."""
    first_refused: tuple[RefusedMessage, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceStatus:
    """State of the checks of the stored data."""

    checked: Literal["none", "newest runs", "all runs"] = "none"
    """The part that was checked since the start."""
    findings: tuple[str, ...] = ()
    """Where the stored copies of a fact differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """State of everything the daemon serves."""

    instruments: dict[str, InstrumentStatus]
    runs: dict[str, RunStatus]
    """By instrument."""
    store: str
    """Why the store cannot write; "" if it can."""
    broker: BrokerState | None
    """None if no broker is configured."""
    sparkplug: NodeStanding | None
    unfinished: dict[str, UnfinishedStatus] = field(default_factory=dict)
    """Runs that ended and are not stored yet, by id."""
    put_back: str = ""
    """Why the present epoch of the database began, if the database was put back; "" otherwise."""
    ended_tasks: dict[str, str] = field(default_factory=dict)
    """Background tasks that ended unexpectedly, and why."""
    outbox: OutboxStatus = field(default_factory=OutboxStatus)
    evidence: EvidenceStatus = field(default_factory=EvidenceStatus)
    configuration: tuple[str, ...] = ()
    """Reasons why changed files have no effect, each with file and key."""


@dataclass(frozen=True, slots=True)
class StatusAnswer:
    """The answer to `AskStatus`."""

    status: Status


@dataclass(frozen=True, slots=True)
class Resent:
    """Number of messages put into the outbox again."""

    resent: int


@dataclass(frozen=True, slots=True)
class Performed:
    """Outcome of an act."""

    performed: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Reloaded:
    """Outcome of `Reload`."""

    reloaded: tuple[str, ...]
    """The changes that have taken effect, and those that wait for the end of a run."""
    errors: tuple[str, ...]
    """Reasons why changed files have no effect, each with file and key."""


@dataclass(frozen=True, slots=True)
class BackupPiece:
    """The next bytes of a copy of the database."""

    piece: str
    """Base64 (RFC 4648)."""


@dataclass(frozen=True, slots=True)
class BackupMade:
    """All pieces of the checked copy were sent."""

    sha256: str
    """Hash of the copy, hexadecimal."""
    bytes: int


@dataclass(frozen=True, slots=True)
class Done:
    """Last answer to a request that was done."""

    done: bool = True


@dataclass(frozen=True, slots=True)
class Failed:
    """Last answer to a request that was refused or failed, with the reason.

    `code` and `values` are those of its sentence in the languages of the page; both are optional.
    """

    error: str
    kind: FailureKind
    done: bool = True
    code: str = ""
    values: dict[str, str] = field(default_factory=dict)


Answer = (
    Started
    | Viewed
    | BenchViewed
    | LiveViewed
    | LoggedIn
    | LoggedOut
    | Identified
    | Queried
    | Ended
    | Stopped
    | StatusAnswer
    | Resent
    | Performed
    | Reloaded
    | BackupPiece
    | BackupMade
    | Done
    | Failed
)
ANSWERS: Final[tuple[type[Answer], ...]] = (
    Started, Viewed, BenchViewed, Ended, Stopped, StatusAnswer, Resent, Performed, Reloaded, BackupPiece, BackupMade,
    LiveViewed, LoggedIn, LoggedOut, Identified, Queried, Failed, Done,
)  # fmt: skip


# ---- lines


def request_line(request: Request) -> bytes:
    """Return the line of a request."""
    return line_of({"protocol": PROTOCOL, "do": NAMES[type(request)], **request.model_dump(mode="json")})


def read_request(line: bytes) -> Request:
    """Return the request of a line.

    Raises:
        SettingError: the line is no request, is too long, or has another protocol number.
        SettingErrors: keys that are unknown or missing, or have a wrong value.
    """
    if len(line) > LONGEST_REQUEST:
        raise SettingError(TOO_LONG)
    try:
        data = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise SettingError(f"a request is one line of JSON: {error}") from None
    if not isinstance(data, dict):
        raise SettingError('a request is one line of JSON: {"protocol": 4, "do": ...}')
    protocol = data.pop("protocol", None)
    if type(protocol) is not int or protocol != PROTOCOL:
        raise SettingError(
            f"{'is missing' if protocol is None else f'is {Shown(protocol)!r}'}; this daemon (daq {daq.__version__}) "
            f"speaks protocol {PROTOCOL}: use the version of daq that started it, or restart it with the version you "
            "use",
            key="protocol",
        )
    what = data.pop("do", None)
    kind = REQUESTS.get(what) if isinstance(what, str) else None
    if kind is None:
        raise SettingError(f"unknown request {Shown(what)!r}; known: {', '.join(REQUESTS)}", key="do")
    return parse(kind, data)


def answer_line(answer: Answer) -> bytes:
    """Return the line of an answer."""
    return line_of(encode(answer))


def read_answer(line: bytes) -> Answer:
    """Return the answer of a line.

    Raises:
        SettingError, LinkError, DaqError: the answer is `Failed`; the error has its reason.
        LinkError: the line is no answer of this protocol.
    """
    try:
        data = json.loads(line)
        kind = next(k for k in ANSWERS if fields(k)[0][0] in data)
        answer = decode(kind, data)
    except (ValueError, RecursionError, TypeError, StopIteration, SettingError) as error:
        raise not_understood(error) from None
    if isinstance(answer, Failed):
        raise coded(RAISED.get(answer.kind, DaqError)(answer.error), answer.code, **answer.values)
    return answer


def failure(error: DaqError) -> Failed:
    """Return the answer that reports an error."""
    kind: FailureKind = next((kind for kind, raised in RAISED.items() if isinstance(error, raised)), "fault")
    return Failed(str(error), kind, code=error.code, values=dict(error.values))
