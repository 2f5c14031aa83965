"""Effects of the pipeline: bytes to send and facts to record.  Live they are carried out; on replay, compared."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from daq.core.clocks import ClockFacts
from daq.core.faults import CHECKS
from daq.core.linkstates import IdentityCheck, Motor
from daq.core.remarks import Parameter, Remark
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


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of a torque, in its unit."""

    sd: float
    """Standard deviation, without drift."""
    step: float
    """Step of the display: the smallest one between different readings; infinity where it is not known."""


@dataclass(slots=True)
class Kept:
    """A kept value: its time, its span, and the summary of every signal in the span."""

    t: int
    step: int
    at: str
    statistic: str
    start: int
    """The span is ``start < t_i <= t``."""
    asked_ns: int
    """Length of the span in the method, ns; 0 where it is given in revolutions."""
    revolutions: float
    """Revolutions turned inside the span."""
    summaries: dict[str, Summary]
    """Summary of each signal in the span.  Where the span has no reading of the temperature, that of its last reading
    before the span, if it still counts."""
    faults: tuple[str, ...]
    longest_interval_ns: int
    completeness: float
    """Readings in the span over readings expected from the interval of the instrument, 0 to 1."""
    rule: str = ""
    """Name of the rule that selected the value, for a value kept on an event."""
    speed: float | None = None
    """Set-point (/min) at which the value was taken; None where nothing turns."""
    temperature_faults: tuple[str, ...] = ()
    """Faults of the temperature inside the span, `silent` where its last reading is stale at the end, and
    `no_temperature` where none is known; with those of the last reading before the span where that one counts."""
    event_interval_ns: int = 0
    """For a value kept on an event: greatest error of its time from the interval of the readings, ns; 0 for others."""
    noise: Noise | None = None
    """Noise of the torque in the span; None where it is not known."""


@dataclass(slots=True)
class Noted:
    """A remark about the run for a person: a code and the parameters of its sentence."""

    t: int
    code: str
    parameters: dict[str, Parameter] = field(default_factory=dict)


@dataclass(slots=True)
class StepEnded:
    """End of a step: its times, the rule that ended it, and the value that met the rule."""

    t: int
    step: int
    started: int
    rule: str
    value: float | None
    readings: int
    revolutions: float


@dataclass(slots=True)
class AtRest:
    """Mean and scatter of the torque at rest, just before the motor first turned; in the unit of the signal."""

    t: int
    n: int
    mean: float
    sd: float | None
    noise: Noise | None = None
    """None where the scatter is no white noise."""


@dataclass(slots=True)
class LimitReached:
    """The torque reached its limit while the motor turned, and the motor was stopped."""

    t: int
    state: str
    """State of the run at that moment."""
    step: int
    set_speed: float
    """Set-point, /min."""
    speed: float | None
    """Confirmed speed in the same reading, /min."""
    torque: float | None
    """Torque as read; None where the instrument gives no number when its sensor is at the stop."""
    limit: float
    """Limit in the unit of the torque band of the plan."""


@dataclass(slots=True)
class Identified:
    """Result of the identity check of an instrument at the end of the run."""

    link: str
    check: IdentityCheck
    detail: str
    """The difference, or the reason why there is no answer; "" otherwise."""


@dataclass(slots=True)
class Facts:
    """Facts of a run (so far): with the plan, all data from which it is concluded.  Times in ns, monotonic."""

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
    """None where the motor has not turned, or turned before the torque at rest was known."""
    moved: bool = False
    """True if the run requested motion."""
    limit: LimitReached | None = None
    motor: Motor = Motor.NOT_MOVED
    """State of the motor at these facts."""
    clock: ClockFacts = field(default_factory=ClockFacts)
    identities: list[Identified] = field(default_factory=list)
    """Identity check of every instrument that took part; empty while the run goes on."""
    not_checked: tuple[str, ...] = ()
    """Codes that the daq of a recorded run did not look for: its record is concluded without them."""
    checks: int = CHECKS
    """Number of the checks of the daq by whose rules the run is concluded (`daq.core.faults.RULES_CHANGED`)."""


@dataclass(slots=True)
class Concluded:
    """The measurement is over; the result can be computed and committed."""

    t: int
    facts: Facts


@dataclass(slots=True)
class Ended:
    """The run is over, and the state of the motor is final: still, in doubt or not moved."""

    t: int
    motor: Motor


Effect = Send | Moved | Kept | Noted | StepEnded | Concluded | Ended

COMPUTED_AGAIN: Final = frozenset({"batches", "line_batches", "event_interval_ns", "noise", "not_checked", "checks"})
"""Fields of a value that no journal, table or export holds.  Replay computes them from the readings, so that the
text of a kept value, and with it the digest of every older journal, stays as it is."""


def recorded(effect: Effect) -> dict[str, Any]:
    """Return the fields of an effect as they are recorded, with the names of the fields as keys."""
    return asdict(effect, dict_factory=_recorded_fields)


def _recorded_fields(fields: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    return {name: value for name, value in fields if name not in COMPUTED_AGAIN}
