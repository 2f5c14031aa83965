"""Plan of a run: method, product, instrument and measuring geometry, compiled to steps that the core can run.

A plan is plain data.  The journal's header (`daq.core.header`) contains the whole plan.
"""

from dataclasses import dataclass
from typing import Any, Final, Literal

from daq.core.context import Context
from daq.core.driver import Identity
from daq.core.extent import NO_EXTENT, Extent
from daq.core.ruleprogress import RuleKind
from daq.core.torqueband import TorqueBand

Op = Literal["linear", "ratio", "product"]
KeepAt = Literal["end", "every", "event"]
Statistic = Literal["mean", "sd", "min", "max", "slope", "last"]
SLOWER: Final = 1.25
"""Part by which revolutions may take longer than at the set-point; the widest tolerance of a speed is 20 %."""


@dataclass(frozen=True, slots=True)
class Derivation:
    """A quantity computed from one or two signals x and y.

    ``linear``: a x + b.  ``ratio``: a x / y.  ``product``: a x y.  The published mean of a ratio is the ratio of the
    means.
    """

    name: str
    unit: str
    op: Op
    inputs: tuple[str, ...]
    a: float
    b: float = 0.0


@dataclass(frozen=True, slots=True)
class Rule:
    """A condition, or a combination (any or all) of several rules.

    A condition tests `signal`: ``elapsed`` (s since the start of the step), ``readings``, ``revolutions``, a channel
    of the lead instrument, ``companion.channel``, or a derived quantity.

    Attributes:
        kind: kind of the condition or of the combination.
        name: name under which the rule is recorded when it is met.
        signal: signal that is tested; "" for a combination.
        low, high: limits in the unit of the signal; ``above`` uses low, ``below`` uses high, ``between`` both.
        after: part of the step that must pass before the rule is tested.
        hold: the condition must be true for this length without interruption.
        span, limit, relative, spans: only for ``steady``: the upper bound of the drift over one span must be below
            `limit` (in the unit of the signal, or as a fraction of its mean where `relative`) over `spans` spans.
        rules: rules of a combination, in the method's order.
    """

    kind: RuleKind
    name: str
    signal: str = ""
    low: float = 0.0
    high: float = 0.0
    after: Extent = NO_EXTENT
    hold: Extent = NO_EXTENT
    span: Extent = NO_EXTENT
    limit: float = 0.0
    relative: bool = False
    spans: int = 1
    rules: tuple["Rule", ...] = ()

    def held_ns(self, speed: float | None) -> float:
        """Return how long (ns) the condition has held when it counts as met, at this speed (/min)."""
        if self.kind == "steady":
            return float((self.spans - 1) * self.span.ns)
        if self.hold.revolutions:
            return self.hold.revolutions / abs(speed) * 60e9 if speed else 0.0
        return float(self.hold.ns)

    def leaves(self) -> "list[Rule]":
        """Return all conditions of the rule, in the method's order."""
        if not self.rules:
            return [self]
        return [leaf for rule in self.rules for leaf in rule.leaves()]


@dataclass(frozen=True, slots=True)
class Keep:
    """Definition of kept values: their times, the trailing span, and the statistic of the span."""

    at: KeepAt
    statistic: Statistic
    span: Extent
    every: Extent = NO_EXTENT
    event: Rule | None = None
    keep_part: bool = False
    """True if an incomplete last interval is kept at the end of the step."""


@dataclass(frozen=True, slots=True)
class Seek:
    """Search for a speed that brings the torque into a band.  Torques in the unit of the torque band of the plan."""

    low: float
    high: float
    """`low` and `high` are the ends of the target band."""
    slowest: float
    fastest: float
    """`slowest` and `fastest` are the ends of the range of speeds, /min."""
    most: int
    """Greatest number of speeds that are tried."""
    doubt: float
    """Maximum permissible error of a torque."""
    flow_behaviour_index: float | None = None
    """Flow behaviour index of the product; None where it states none."""


@dataclass(frozen=True, slots=True)
class Step:
    """A part of a run with one set-point, or with a search for its set-point."""

    name: str
    speed: float | None
    """Set-point, /min; None where nothing turns."""
    settle: Extent
    stop: Rule
    keep: tuple[Keep, ...]
    longest_ns: int
    """The run ends as failed if no rule has ended the step by this time."""
    seek: Seek | None = None
    """With a search, `speed` is the first speed tried, and each try lasts until `stop` is met."""
    treatment: Literal["", "preshear", "stir"] = ""
    """Treatment of the sample in this step; "" where the step measures."""


@dataclass(frozen=True, slots=True)
class Conditioning:
    """Conditioning of the sample before the first step, in this order: temperature, soak, pre-shear, rest."""

    bath: float | None = None
    """Set-point (Cel) of the bath that the instrument controls; None without one."""
    signal: str = ""
    """Signal of the temperature; "" where the method does not ask for a temperature."""
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
class Plan:
    """Data that the core needs to run one method on one bench."""

    method: str
    version: str
    digest: str
    links: tuple[LinkPlan, ...]
    derivations: tuple[Derivation, ...]
    conditioning: Conditioning
    steps: tuple[Step, ...]
    primary: str
    """Signal whose kept value is the result."""
    claim: str
    band: TorqueBand | None
    speed_signal: str
    """Signal of the confirmed speed (/min) of the lead instrument; "" where nothing turns."""
    moves: bool
    """True if the run may request motion."""
    speed_tolerance: float
    """Greatest relative deviation of the confirmed speed from the set-point at which the speed counts as reached."""
    speed_timeout_ns: int
    context: Context
    """Data that only `daq.methods` needs: measuring geometry, limits, specification."""

    @property
    def seek(self) -> Seek | None:
        """The seek; None for a plan that measures."""
        return next((s.seek for s in self.steps if s.seek is not None), None)

    @property
    def lead(self) -> LinkPlan:
        """The instrument whose readings give the result."""
        return next(link for link in self.links if link.role == "lead")
