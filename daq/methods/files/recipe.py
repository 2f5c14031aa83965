"""The method's file: a versioned, immutable recipe of a measurement."""

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from daq.core.errors import SettingError
from daq.core.extent import Extent
from daq.core.plan import KeepAt, Statistic
from daq.methods.files.conditioning import Conditioning, Preparation
from daq.methods.files.fields import (
    Amount,
    Duration,
    KeyedError,
    Length,
    Listed,
    Model,
    Name,
    Percent,
    Quantity,
    Setting,
    SpanLength,
    SpeedSetting,
    Text,
    UnitText,
    extent,
    setting,
)
from daq.methods.files.instrument import GeometryKind
from daq.methods.files.seek import Seek

Claim = Literal["at_time", "equilibrium", "peak", "time_to"]
SECOND = 1_000_000_000


class Steadiness(Model):
    """Steadiness of a signal: the largest change over one span, held for several spans."""

    span: Length = Field(description="the time over which the change is judged, for example '30 s'")
    limit: Quantity = Field(description="the most the signal may still change over one span: '1 %' or a number")
    spans: Annotated[int, Field(ge=1)] = 3

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if not self.span.ns:
            raise KeyedError("span", "steadiness is judged over a time longer than zero, for example '30 s'")
        if self.limit.value <= 0:
            raise KeyedError("limit", "must be greater than zero: no measured signal is perfectly constant")
        return self


class Stop(Model):
    """A condition on one signal, or ``any``/``all`` of several conditions.

    Two short forms exist in files: ``stop = "60 s"`` means ``{signal = "elapsed", above = "60 s"}``, and
    ``stop = "5 rev"`` means ``{signal = "revolutions", above = "5 rev"}``.
    """

    name: Text | None = None
    signal: Text | None = None
    above: Setting | None = None
    below: Setting | None = None
    between: Annotated[tuple[Quantity, Quantity] | None, Listed] = None
    steady: Steadiness | None = None
    after: Length = Extent()
    hold: Length = Extent()
    any: Annotated[tuple["Stop", ...] | None, Listed] = None
    all: Annotated[tuple["Stop", ...] | None, Listed] = None

    @model_validator(mode="before")
    @classmethod
    def _shortened(cls, value: object) -> object:
        if isinstance(value, dict) and value.get("signal") == "elapsed":
            return {**value, **_in_seconds(value.get("above"))}
        if isinstance(value, bool) or not isinstance(value, (int, float, str)):
            return value
        given = extent(value)
        if given.revolutions:
            return {"signal": "revolutions", "above": given.revolutions}
        return {"signal": "elapsed", "above": Amount(given.ns / SECOND, "s")}

    @model_validator(mode="after")
    def _one_condition(self) -> Self:
        conditions = [k for k in ("above", "below", "between", "steady") if getattr(self, k) is not None]
        trees = [k for k in ("any", "all") if getattr(self, k) is not None]
        if len(trees) == 2:
            raise KeyedError("all", "a rule is either any or all of its parts; put one inside the other")
        if trees:
            if conditions or self.signal is not None or self.after != Extent() or self.hold != Extent():
                raise KeyedError(
                    trees[0], "combines rules and has no condition of its own; move signal and limits into its parts"
                )
            if len(getattr(self, trees[0])) < 2:
                raise KeyedError(trees[0], "needs at least two rules to combine; with one, write that rule directly")
            return self
        if self.signal is None:
            raise KeyedError("signal", "is missing: name the signal of the rule, for example 'elapsed'")
        if len(conditions) != 1:
            given = " and ".join(conditions) or "none"
            raise KeyedError(
                conditions[-1] if conditions else "above",
                f"a rule has exactly one of above, below, between, steady; here: {given}",
            )
        if self.between is not None and self.between[0].value > self.between[1].value:
            raise KeyedError("between", "the lower limit comes first")
        if self.steady is not None and self.hold != Extent():
            raise KeyedError("hold", "steadiness is held by its 'spans'; leave 'hold' out")
        return self


def _in_seconds(value: object) -> dict[str, Amount]:
    """Return a time converted to s, so that "1 min" and 60 give the same method; empty for any other value."""
    try:
        given = setting(value)
        return {} if isinstance(given, str) else {"above": Amount(given.in_unit("s"), "s")}
    except (ValueError, SettingError):
        return {}


class Keep(Model):
    """When a value is kept, the trailing span over which it is taken, and its statistic."""

    at: KeepAt = "end"
    span: SpanLength = Field(description="how far back the value reaches, for example '30 s', '2 rev' or '5 readings'")
    every: Length = Extent()
    statistic: Statistic = "mean"
    event: Stop | None = None
    keep_part: bool = False

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.span == Extent():
            raise KeyedError("span", "must be longer than zero: a value is taken over a span of readings")
        if self.at == "every" and self.every == Extent():
            raise KeyedError("every", "is missing: say how often a value is taken, for example every = '10 s'")
        if self.at != "every" and self.every != Extent():
            raise KeyedError("every", f"belongs to at = 'every'; here at = '{self.at}'")
        if self.at != "every" and self.keep_part:
            raise KeyedError("keep_part", f"is about the last interval of at = 'every'; here at = '{self.at}'")
        if self.at == "event" and self.event is None:
            raise KeyedError("event", "is missing: say which event the value is taken on")
        if self.at != "event" and self.event is not None:
            raise KeyedError("event", f"belongs to at = 'event'; here at = '{self.at}'")
        return self


class Step(Model):
    """A part of a run with one set-point, or with a seek for its set-point."""

    name: Name = Field(description="the step's name, for example 'reading'")
    speed: SpeedSetting | None = None
    settle: Length = Extent()
    stop: Stop | None = None
    keep: Annotated[tuple[Keep, ...], Listed] = ()
    longest: Duration = Field(description="time without a stop after which the run fails, for example '10 min'")
    seek: Seek | None = None
    treatment: Literal["preshear", "stir"] | None = None
    """Treatment of the sample in this step, by the rotor or by hand; left out: the step measures.  A drift of the value
    that returns after one treatment and not after the other is named in the result."""

    @model_validator(mode="after")
    def _one_end(self) -> Self:
        if self.seek is None:
            if self.stop is None:
                raise KeyedError("stop", "is missing: what ends the step, for example stop = '60 s'")
            return self
        for key, given in (("stop", self.stop is not None), ("keep", bool(self.keep))):
            if given:
                raise KeyedError(key, "has no place in a step that seeks: a try ends by itself, over the seek's span")
        if self.speed is None:
            raise KeyedError("speed", "is missing: it is the first speed that is tried; start low")
        return self

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if isinstance(self.speed, Amount) and self.speed.value <= 0:
            raise KeyedError("speed", "must be greater than 0; leave it out where nothing turns")
        if self.longest <= 0:
            raise KeyedError("longest", "must be longer than zero")
        if self.speed is None and self.settle.revolutions:
            raise KeyedError("settle", "is in revolutions, but the step has no speed; write a time")
        return self


class Band(Model):
    """The usable part of the torque sensor's range, in % of full scale.  10 to 100 % is common practice."""

    low: Percent = 10.0
    high: Percent = 100.0

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not 0 <= self.low < self.high:
            raise KeyedError("low", f"the band must be 0 <= low < high; here {self.low:g} to {self.high:g} %")
        return self


class Choice(Model):
    """A parameter that a person can set for one run to one of the values that the method allows."""

    default: Quantity = Field(description="the value where a person chooses none")
    allowed: Annotated[tuple[Quantity, ...], Listed] = Field(description="the values a person may choose")
    unit: UnitText | None = None
    title: str = ""

    @model_validator(mode="after")
    def _default_allowed(self) -> Self:
        if not self.allowed:
            raise KeyedError("allowed", "is empty; list the values a person may choose")
        if self.default not in self.allowed:
            raise KeyedError("default", "is not among the allowed values; add it there or choose another default")
        return self


class Geometries(Model):
    """Measuring geometries that the method allows; empty lists allow any."""

    names: Annotated[tuple[Name, ...], Listed] = ()
    kinds: Annotated[tuple[GeometryKind, ...], Listed] = ()


class Acceptance(Model):
    """Makes the method a verification: each step's end value is compared with the fluid's certificate.

    The band is the certified value ± (`full_scale` of the viscosity at full-scale torque + the certified uncertainty):
    common practice, no single source.
    """

    full_scale: Annotated[Percent, Field(gt=0, le=10)] = 1.0
    """Part (%) of the viscosity that gives full-scale torque with the geometry and speed of the step."""
    levels: Annotated[int, Field(ge=1, le=9)] = 2
    """Number of different torques at which the value must be accepted."""


FlowModelName = Literal["newtonian", "bingham", "power_law", "herschel_bulkley", "casson", "cross", "carreau"]
ALL_MODELS: tuple[FlowModelName, ...] = (
    "newtonian",
    "bingham",
    "power_law",
    "herschel_bulkley",
    "casson",
    "cross",
    "carreau",
)


class FlowCurve(Model):
    """Makes the steps a flow curve, and names the models that are fitted to it."""

    branch: Literal["up", "down", "both"] | None = None
    """The branch that is fitted; left out: down if it has three speeds, otherwise up."""
    models: Annotated[tuple[FlowModelName, ...], Listed] = ALL_MODELS

    @model_validator(mode="after")
    def _some(self) -> Self:
        if not self.models:
            raise KeyedError("models", "is empty; name the models to fit, or leave it out to try all of them")
        return self


class Method(Model):
    """A versioned, immutable recipe of a measurement."""

    id: Name = Field(description="the method's name in results, for example 'clear-glaze-qc'")
    version: Text = Field(
        description="which version of the method, for example version = '1'; any change gets a new one"
    )
    title: Text = Field(description="what a person reads on the screen")
    description: str = ""
    claim: Claim = Field(description="what the number means: 'at_time', 'equilibrium', 'peak' or 'time_to'")
    result: Text = "viscosity"
    result_step: Name | None = None
    time_from: Literal["step", "run"] | None = None
    """Start of the time of `time_to`: the start of the result's step (also if left out), or of the run."""
    geometry: Geometries = Geometries()
    preparation: Preparation | None = None
    conditioning: Conditioning = Conditioning()
    torque: Band = Band()
    speed_tolerance: Percent = 1.0
    speed_timeout: Duration = 60 * SECOND
    verification: Acceptance | None = None
    """Present if the method verifies the instrument with a certified fluid."""
    control: bool | None = None
    """True if the method measures a control fluid: its value is compared with the control limits of the bench."""
    free_swing: bool | None = None
    """True if the rotor turns in air: the torque that remains at rest then shows the bearing's friction."""
    flow_curve: FlowCurve | None = None
    interval_required: bool | None = None
    """True if a value without an expanded uncertainty is not Good."""
    for_products: bool | None = None
    """True if the method is made for products: a run without one gets a warning."""
    choices: dict[Name, Choice] = Field(default_factory=dict)
    steps: Annotated[tuple[Step, ...], Listed] = Field(description="at least one [[steps]] table")

    @field_validator("version", mode="before")
    @classmethod
    def _version_text(cls, value: object) -> object:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            raise ValueError(f'is a number; write it in quotes, as in version = "{value}"')  # noqa: TRY004
        return value

    @property
    def is_check(self) -> bool:
        """True if a run of the method verifies or controls the instrument, and measures no sample."""
        return bool(self.control) or self.verification is not None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if not self.steps:
            raise KeyedError("steps", "a method needs at least one step: add a [[steps]] table")
        seen: set[str] = set()
        for i, step in enumerate(self.steps):
            if step.name in seen:
                raise KeyedError(f"steps[{i}].name", f"{step.name!r} is used twice; give each step its own name")
            seen.add(step.name)
        if any(step.seek is not None for step in self.steps):
            self._seeks_alone()
        if self.result_step is not None and self.result_step not in seen:
            raise KeyedError("result_step", f"no step is called {self.result_step!r}; steps: {', '.join(seen)}")
        if self.verification is not None and len(self.steps) < self.verification.levels:
            raise KeyedError(
                "verification.levels",
                f"asks for {self.verification.levels} torques, but the {len(self.steps)} steps give one each",
            )
        if self.control:
            self._controls()
        if self.time_from is not None and self.claim != "time_to":
            raise KeyedError("time_from", f"belongs to the claim time_to; here the claim is {self.claim}")
        if not 0 < self.speed_tolerance <= 20:
            raise KeyedError("speed_tolerance", "must be above 0 and at most 20 %")
        if self.speed_timeout <= 0:
            raise KeyedError("speed_timeout", "must be longer than zero")
        return self

    def _controls(self) -> None:
        """Refuse a control without a temperature, and one that is another kind of method, too."""
        if self.conditioning.temperature is None:
            raise KeyedError("control", "needs [conditioning.temperature]: a viscosity changes by several % per K")
        if self.claim == "time_to":
            raise KeyedError("control", "compares a viscosity with control limits; here the claim is time_to")
        for key in ("verification", "free_swing", "flow_curve"):
            if getattr(self, key):
                raise KeyedError(key, "has no place in a method that measures a control fluid; write a method for each")

    def _seeks_alone(self) -> None:
        """Refuse other parts in a method with a seek, which is for developing a method and makes no other claim."""
        if len(self.steps) > 1:
            raise KeyedError(
                "steps", "must be one only, because it seeks: measure with another method, on a fresh fill"
            )
        if self.claim != "at_time":
            raise KeyedError("claim", f"a seek ends at a speed and shows no {self.claim}; write claim = 'at_time'")
        for key in ("verification", "flow_curve", "control"):
            if getattr(self, key):
                raise KeyedError(key, "needs steps at speeds that are known beforehand, and not a seek")

    @property
    def result_index(self) -> int:
        """Number (from 0) of the step whose kept value is the result: the named one, otherwise the last."""
        if self.result_step is None:
            return len(self.steps) - 1
        return next(i for i, step in enumerate(self.steps) if step.name == self.result_step)
