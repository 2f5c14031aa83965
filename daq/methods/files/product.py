"""The product's file: its limits, and how its results are reported."""

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from daq.core.context import Amount, ProductLimit, ProductOfPlan
from daq.core.units import UNITS, entered
from daq.methods.files.fields import (
    Celsius,
    Day,
    Duration,
    Kelvins,
    KeyedError,
    Listed,
    MethodVersion,
    Millimetres,
    Model,
    Name,
    Percent,
    PerMinute,
    Quantity,
    Text,
    UnitText,
    duration,
    in_unit,
)
from daq.methods.files.producttest import ProductTest, Replicates
from daq.methods.parts.idpattern import matches_any

Rounding = Literal["unrounded", "rounded"]
SECOND = 1_000_000_000
KELVIN = 273.15


class Limit(Model):
    """Limits of one quantity, and the conditions at which they apply; other results are not compared with them."""

    quantity: Text = "viscosity"
    low: float | None = None
    high: float | None = None
    unit: UnitText = Field(description="the unit of low and high, for example 'mPa.s'")
    methods: Annotated[tuple[MethodVersion, ...], Listed] = Field(
        description="the methods they were set for, each with its version, for example methods = ['clear-glaze-qc 1']"
    )
    choices: dict[Name, Quantity] = Field(default_factory=dict)
    """Values of the method's choices they were set for; left out: the default of each choice."""
    decimals: Annotated[int, Field(ge=-6, le=9)] | None = None
    """Decimals of the reported number if this quantity is the result; left out: those of the product."""
    geometry: Name | None = None
    vessel: Text | None = None
    speed: PerMinute | None = None
    time: Duration | None = None
    time_band: Duration = SECOND
    temperature: Celsius | None = None
    temperature_band: Kelvins = 0.2
    guard_band: Annotated[float, Field(gt=0)] | None = None
    """Guard band in the unit of low and high; left out: the product's `guard_factor` times the expanded uncertainty."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.methods:
            raise KeyedError("methods", "is empty: name the methods the limits were set for, each with its version")
        if self.low is None and self.high is None:
            raise KeyedError("low", "is missing, like high: give one of them or both")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise KeyedError("low", f"low ({self.low:g}) must be below high ({self.high:g})")
        return self

    @property
    def unit_code(self) -> str:
        """The UCUM code of the unit as written."""
        return entered(self.unit)[0]

    def in_code(self, value: float) -> float:
        """Return a limit as written, converted to the UCUM unit `unit_code`."""
        return value * entered(self.unit)[1]

    def planned(self) -> ProductLimit:
        """Return the limit as a plan carries it, in its UCUM unit."""
        return ProductLimit(
            quantity=self.quantity,
            low=None if self.low is None else self.in_code(self.low),
            high=None if self.high is None else self.in_code(self.high),
            unit=self.unit_code,
            methods=self.methods,
            choices={name: Amount(given.value, given.unit or "") for name, given in self.choices.items()},
            decimals=self.decimals,
            geometry=self.geometry,
            vessel=self.vessel,
            speed=self.speed,
            time=self.time,
            time_band=self.time_band,
            temperature=self.temperature,
            temperature_band=self.temperature_band,
            guard_band=None if self.guard_band is None else self.in_code(self.guard_band),
        )


class TemperaturePoint(Model):
    """One measured point of a product's temperature curve."""

    temperature: Celsius = Field(description="Cel")
    viscosity: Quantity = Field(description="with its unit, for example '800 mPa.s'")

    @model_validator(mode="after")
    def _is_viscosity(self) -> Self:
        given = self.viscosity
        if not given.unit or UNITS[given.unit].dimension != "viscosity" or given.value <= 0:
            raise KeyedError("viscosity", "is a viscosity above 0 with its unit, for example '800 mPa.s'")
        return self


class TemperatureCurve(Model):
    """Viscosity of the product over temperature: measured points, or constants with their range.

    andrade: ln(η) = a + b/T; vft: ln(η) = a + b/(T - t0); T in K.  `a` cancels in a correction.
    """

    reference: Celsius = Field(description="the temperature (Cel) to which results are corrected")
    law: Literal["andrade", "vft"] = "andrade"
    points: Annotated[tuple[TemperaturePoint, ...], Listed] = ()
    b: Annotated[float, Field(gt=0)] | None = None
    """K"""
    t0: Annotated[float, Field(ge=0)] | None = None
    """K"""
    low: Celsius | None = None
    high: Celsius | None = None
    uncertainty: Percent | None = None
    """Expanded uncertainty (k = 2) of b, %; left out: from the scatter of the points."""
    geometry: Name | None = None
    speed: PerMinute | None = None
    """Geometry and speed of the curve; a fluid that is not Newtonian has another curve at another rate."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        constants = [k for k in ("b", "t0", "low", "high") if getattr(self, k) is not None]
        if self.points:
            if constants:
                raise KeyedError(constants[0], "is given by the points; leave it out, or leave the points out")
            least = 2 if self.law == "andrade" else 3
            if len({p.temperature for p in self.points}) < least:
                raise KeyedError("points", f"needs at least {least} different temperatures for {self.law}")
            low, high = (f(p.temperature for p in self.points) for f in (min, max))
        else:
            needed = ("b", "low", "high") if self.law == "andrade" else ("b", "t0", "low", "high")
            missing = [k for k in needed if k not in constants]
            if missing:
                raise KeyedError(missing[0], "is missing: give measured points, or the constants with their range")
            if self.law == "andrade" and self.t0 is not None:
                raise KeyedError("t0", "belongs to law = 'vft'")
            low, high = self.low or 0.0, self.high or 0.0
            if low >= high:
                raise KeyedError("low", f"low ({low:g}) must be below high ({high:g})")
            if self.t0 is not None and self.t0 >= low + KELVIN:
                raise KeyedError("t0", "must be below the range: at t0 the viscosity is infinite")
        if not low <= self.reference <= high:
            raise KeyedError("reference", f"{self.reference:g} Cel is outside of the curve ({low:g} to {high:g} Cel)")
        return self


class Product(Model):
    """One product, with its limits and the properties that planning and results need."""

    id: Name = Field(description="the product's name in results, for example 'clear-glaze'")
    name: Text = Field(description="what a person calls the product")
    version: Text = "1"
    """Raised with every change of the file: a text that was used under a version is never replaced."""
    approved_by: Text | None = None
    """The person who approved this version."""
    valid_from: Day | None = None
    """Day (UTC) from which this version holds; before it no run starts.  Left out: at once."""
    unit: UnitText = "mPa.s"
    reported_digits: Annotated[int, Field(ge=1, le=9)] = 3
    """Significant digits of the reported number."""
    reported_decimals: Annotated[int, Field(ge=-6, le=9)] | None = None
    """Decimals of the reported number, instead of digits (-1: whole tens)."""
    rounding: Rounding = "unrounded"
    acceptance: Literal["simple_acceptance", "guard_banded_acceptance"] = "simple_acceptance"
    """Decision rule (JCGM 106): with guard bands a value near a limit is undecided."""
    guard_factor: Annotated[float, Field(gt=0, le=3)] | None = None
    """Guard band as a multiple of the expanded uncertainty; left out: 1."""
    limits: Annotated[tuple[Limit, ...], Listed] = ()
    flow_behaviour_index: Annotated[float, Field(gt=0, le=2)] | None = None
    temperature_coefficient: Annotated[float, Field(ge=-50, le=50)] | None = None
    """Change of the viscosity in % per K, negative where it falls with temperature."""
    expected_viscosity: Quantity | None = None
    density: Annotated[float, Field(ge=300, le=20_000)] | None = None
    """kg/m3; used for the warning of Taylor vortices.  Left out: that of water."""
    solid_density: Annotated[float, BeforeValidator(in_unit("kg/m3")), Field(ge=1100, le=20_000)] | None = None
    """Of the dry solid of a slip, without pores; a density that is measured then gives the dry content too."""
    solid_density_error: Annotated[float, BeforeValidator(in_unit("kg/m3")), Field(ge=0, le=1000)] | None = None
    """Half width of a rectangular distribution of the density of the solid."""
    largest_particle: Millimetres | None = None
    """Diameter of the largest particles; a run in a gap narrower than ten of them is warned of."""
    replicates: Replicates | None = None
    """Left out: one valid result is reported."""
    tests: Annotated[tuple[ProductTest, ...], Listed] = ()
    """Tests of the product: a run that names the product needs no method."""
    sample_ids: Annotated[tuple[Text, ...], Listed] = ()
    """Patterns of the ids of its samples: ``#`` one digit, ``@`` one letter, ``?`` any one character, ``*`` any
    characters; left out: any id."""
    equilibrating: Annotated[int, BeforeValidator(duration), Field(gt=0)] | None = None
    """Time of a filled cup in the bath before its turn; left out: that of the method."""
    temperature_curve: TemperatureCurve | None = None
    """Curve for an additional value, corrected to a reference temperature."""
    safety: str = ""

    @model_validator(mode="after")
    def _unit(self) -> Self:
        code, factor = entered(self.unit)
        if factor != 1.0:
            raise KeyedError("unit", f"results are stored in UCUM units; write {code!r} instead of {self.unit!r}")
        expected = self.expected_viscosity
        if expected is not None and (not expected.unit or UNITS[expected.unit].dimension != "viscosity"):
            raise KeyedError("expected_viscosity", "needs a viscosity unit, for example '800 mPa.s'")
        return self

    @model_validator(mode="after")
    def _acceptance(self) -> Self:
        if self.acceptance == "guard_banded_acceptance":
            if self.rounding == "rounded":
                raise KeyedError(
                    "rounding", "must be 'unrounded' with guard bands: rounding would take a part of the guard band"
                )
            return self
        reason = "belongs to acceptance = 'guard_banded_acceptance'; here it is simple_acceptance"
        if self.guard_factor is not None:
            raise KeyedError("guard_factor", reason)
        for i, limit in enumerate(self.limits):
            if limit.guard_band is not None:
                raise KeyedError(f"limits[{i}].guard_band", reason)
        return self

    @model_validator(mode="after")
    def _tests(self) -> Self:
        seen: set[str] = set()
        for i, test in enumerate(self.tests):
            if test.method in seen:
                raise KeyedError(f"tests[{i}].method", f"{test.method!r} is there twice; leave one of them out")
            seen.add(test.method)
        return self

    def test_of(self, method: str) -> ProductTest | None:
        """Return the test with a method (id, a space and version), or None."""
        return next((t for t in self.tests if t.method == method), None)

    def replicates_of(self, method: str) -> Replicates | None:
        """Return the rule for replicates of a method (id, a space and version); None: one valid result is reported."""
        test = self.test_of(method)
        return self.replicates if test is None or test.replicates is None else test.replicates

    def admits(self, sample: str) -> bool:
        """Return whether an id can be that of a sample of this product."""
        return not self.sample_ids or matches_any(self.sample_ids, sample)

    @property
    def unit_code(self) -> str:
        """The UCUM code of the display unit."""
        return entered(self.unit)[0]

    def planned(self) -> ProductOfPlan:
        """Return the product as a plan carries it, its limits in UCUM units."""
        return ProductOfPlan(
            id=self.id,
            unit=self.unit_code,
            reported_digits=self.reported_digits,
            reported_decimals=self.reported_decimals,
            rounding=self.rounding,
            acceptance=self.acceptance,
            guard_factor=1.0 if self.guard_factor is None else self.guard_factor,
            limits=tuple(limit.planned() for limit in self.limits),
            flow_behaviour_index=self.flow_behaviour_index,
            temperature_coefficient=self.temperature_coefficient,
            density=self.density,
            solid_density=self.solid_density,
            solid_density_error=self.solid_density_error,
        )
