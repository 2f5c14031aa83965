"""The Plan: a method, an instrument and a geometry compiled to what the core can run.

A plan is plain data.  The journal's header (`daq.core.header`) holds it whole.
"""

from dataclasses import dataclass
from typing import Any, Literal

from daq.core.context import Context
from daq.core.driver import Identity

Op = Literal["linear", "ratio", "product"]
RuleKind = Literal["above", "below", "between", "steady", "any", "all"]
KeepAt = Literal["end", "every", "event"]
Statistic = Literal["mean", "sd", "min", "max", "slope", "last"]


@dataclass(frozen=True, slots=True)
class Extent:
    """A length in time (ns), in revolutions or, of a kept value's span, in readings; at most one of them is given."""

    ns: int = 0
    revolutions: float = 0.0
    readings: int | None = None


@dataclass(frozen=True, slots=True)
class Derivation:
    """A quantity computed from one or two signals.

    ``linear``: a x + b.  ``ratio``: a x / y.  ``product``: a x y.  The published mean of a
    ratio is the ratio of the means.
    """

    name: str
    unit: str
    op: Op
    inputs: tuple[str, ...]
    a: float
    b: float = 0.0


@dataclass(frozen=True, slots=True)
class Rule:
    """A condition, or any/all of several.

    Leaves look at `signal`: ``elapsed`` (s since the step began), ``readings``, ``revolutions``,
    a channel of the lead instrument, ``companion.channel``, or a derived quantity.

    Attributes:
        name: how the rule is recorded when it is met.
        low, high: ``above`` uses low, ``below`` uses high, ``between`` both.
        after: the rule is not looked at before this much of the step has passed.
        hold: the condition must hold for so long without a break.
        span, limit, relative, spans: only for ``steady``: the upper bound of the drift over one span must be below
            `limit` (in the signal's unit, or as a fraction of its mean where `relative`), held over `spans` spans.
    """

    kind: RuleKind
    name: str
    signal: str = ""
    low: float = 0.0
    high: float = 0.0
    after: Extent = Extent()
    hold: Extent = Extent()
    span: Extent = Extent()
    limit: float = 0.0
    relative: bool = False
    spans: int = 1
    rules: tuple["Rule", ...] = ()

    def leaves(self) -> "list[Rule]":
        """All leaves in the method's order."""
        if not self.rules:
            return [self]
        return [leaf for rule in self.rules for leaf in rule.leaves()]


@dataclass(frozen=True, slots=True)
class Keep:
    """When a value is taken, over what trailing span, and which statistic is the value."""

    at: KeepAt
    statistic: Statistic
    span: Extent
    every: Extent = Extent()
    event: Rule | None = None
    keep_part: bool = False
    """Whether a last interval that is not complete is kept at the end of the step."""


@dataclass(frozen=True, slots=True)
class Seek:
    """How a step looks for a speed that brings the torque into a band.  Torques in the unit of the plan's band."""

    low: float
    high: float
    """The band that is aimed at."""
    slowest: float
    fastest: float
    """Speeds (/min) that may be tried."""
    most: int
    """How many speeds may be tried."""
    doubt: float
    """What a torque may be off by."""
    flow_behaviour_index: float | None = None
    """Of the product, where it states one."""


@dataclass(frozen=True, slots=True)
class Step:
    """A part of a run with one set-point, or one that looks for its set-point."""

    name: str
    speed: float | None
    """Set-point in /min, or None where nothing turns."""
    settle: Extent
    stop: Rule
    keep: tuple[Keep, ...]
    longest_ns: int
    """A step that no rule has ended by then ends as failed."""
    seek: Seek | None = None
    """Where given, `speed` is the first one tried, and each try lasts until `stop` is met."""


@dataclass(frozen=True, slots=True)
class Conditioning:
    """What brings the sample to the state in which it is measured, in this order."""

    bath: float | None = None
    """Set-point (Cel) for the instrument's own bath, where it drives one."""
    signal: str = ""
    """The temperature looked at; "" where the method does not ask for a temperature."""
    low: float = 0.0
    high: float = 0.0
    hold_ns: int = 0
    longest_ns: int = 0
    soak_ns: int = 0
    preshear_speed: float | None = None
    preshear_ns: int = 0
    rest_ns: int = 0


@dataclass(frozen=True, slots=True)
class LinkPlan:
    """One instrument of the run."""

    name: str
    role: Literal["lead", "companion"]
    driver: str
    options: dict[str, Any]
    driver_digest: str
    channels: tuple[str, ...]
    units: tuple[str, ...]
    identity: Identity | None = None


@dataclass(frozen=True, slots=True)
class TorqueBand:
    """The usable part of the sensor's range, for the signal that says how far it is loaded."""

    signal: str
    unit: str
    low: float
    high: float
    limit: float
    """Beyond this (absolute) the reading is saturated, whatever the instrument says."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything the core needs to run one method on one bench."""

    method: str
    version: str
    digest: str
    links: tuple[LinkPlan, ...]
    derivations: tuple[Derivation, ...]
    conditioning: Conditioning
    steps: tuple[Step, ...]
    primary: str
    """The signal whose kept value is the result."""
    claim: str
    band: TorqueBand | None
    speed_signal: str
    """Confirmed speed (/min) of the lead instrument, or "" where nothing turns."""
    moves: bool
    """Whether the run may command motion."""
    speed_tolerance: float
    """Relative deviation of the confirmed speed that still counts as reached."""
    speed_timeout_ns: int
    context: Context
    """The parts that `conclude` needs beyond the core: geometry, limits, specification."""

    @property
    def lead(self) -> LinkPlan:
        """The instrument whose readings make the result."""
        return next(link for link in self.links if link.role == "lead")
