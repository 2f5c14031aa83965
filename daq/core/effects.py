"""What the pipeline wants done or wants known.  Live they are executed, on replay compared."""

from dataclasses import dataclass, field
from typing import Any

from daq.core.linkstates import IdentityCheck, Motor
from daq.core.remarks import Remark
from daq.core.statistics import Summary


@dataclass(slots=True)
class Send:
    """Write bytes to a link."""

    link: str
    data: bytes


@dataclass(slots=True)
class Moved:
    """The run's life cycle went from one state to another."""

    t: int
    source: str
    trigger: str
    target: str
    detail: str = ""


@dataclass(slots=True)
class Kept:
    """A value taken: when, over which span, and the summaries of every signal in it."""

    t: int
    step: int
    at: str
    statistic: str
    start: int
    """The span is ``start < t_i <= t``."""
    asked_ns: int
    """Length of the span the method asks for; 0 where it is in revolutions."""
    revolutions: float
    """Revolutions turned inside the span."""
    summaries: dict[str, Summary]
    faults: tuple[str, ...]
    longest_interval_ns: int
    completeness: float
    """Readings in the span over readings expected from the instrument's interval."""
    rule: str = ""
    """For a value taken on an event: the rule that selected it."""
    speed: float | None = None
    """Set-point (/min) at which it was taken; None where nothing turns."""


@dataclass(slots=True)
class Noted:
    """Something a person should know; `code` is stable, `text` is for reading."""

    t: int
    code: str
    text: str


@dataclass(slots=True)
class StepEnded:
    """A step is over: when it ran, which rule ended it, and the value that met the rule."""

    t: int
    step: int
    started: int
    rule: str
    value: float | None
    readings: int
    revolutions: float


@dataclass(slots=True)
class AtRest:
    """The torque signal while the motor stood still, just before it first turned; in the signal's unit."""

    t: int
    n: int
    mean: float
    sd: float | None


@dataclass(slots=True)
class LimitReached:
    """A torque at or beyond its limit while the motor turned: the motor was stopped."""

    t: int
    state: str
    """The state of the run at that moment."""
    step: int
    set_speed: float
    """/min"""
    speed: float | None
    """Confirmed in the same reading, /min."""
    torque: float | None
    """As read; None where the instrument gives no number at its stop."""
    limit: float
    """In the unit of the plan's band."""


@dataclass(slots=True)
class Identified:
    """Result of asking an instrument at the end of the run who it is."""

    link: str
    check: IdentityCheck
    said: str
    """The difference, or the reason why there is no answer; "" otherwise."""


@dataclass(slots=True)
class Facts:
    """What a run (so far) came to: everything a conclusion may look at besides the plan.  Times in ns, monotonic."""

    began: int
    now: int
    outcome: str
    """complete, stopped, interrupted or failed; "" while the run goes on."""
    reason: Remark | None
    """Why the run ended; None while it goes on."""
    steps: list[StepEnded] = field(default_factory=list)
    kept: list[Kept] = field(default_factory=list)
    notes: list[Noted] = field(default_factory=list)
    counters: dict[str, dict[str, Any]] = field(default_factory=dict)
    """Counters of each link, by its name."""
    at_rest: AtRest | None = None
    """None where the motor has not turned, or turned before its torque was seen at rest."""
    moved: bool = False
    """Whether motion was ever asked for."""
    limit: LimitReached | None = None
    identities: list[Identified] = field(default_factory=list)
    """Of every instrument that took part; empty while the run goes on."""


@dataclass(slots=True)
class Concluded:
    """The measuring is over; the result can be computed and committed."""

    t: int
    facts: Facts


@dataclass(slots=True)
class Ended:
    """The run is over and what is known of the motor is final: still, in doubt or not moved."""

    t: int
    motor: Motor


Effect = Send | Moved | Kept | Noted | StepEnded | Concluded | Ended
