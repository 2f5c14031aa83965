"""Parts of a plan that the core only keeps: geometry, limits, product and certificate, as far as a result needs them.

They belong to the journal's header, so that a result is concluded again from the journal alone.  `daq.methods` makes
and reads them; nothing in the core looks inside.
"""

from dataclasses import dataclass, field
from typing import Literal

from daq.core.remarks import WrittenRemark


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with its UCUM unit."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class GeometryConstants:
    """Constants (SI) of a geometry; None where it defines no such quantity."""

    viscosity_constant: float | None
    rate_per_omega: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringGeometry:
    """The geometry of the run: its description for the result, and its constants (SI)."""

    name: str
    kind: str
    dimensions: dict[str, float | Amount | None]
    """As in the instrument's file: mm and degrees."""
    stirrup: bool = False
    vessel: str = ""
    fill_volume_ml: float | None = None
    immersion: str = ""
    stress_per_torque: float | None = None
    rate_per_omega: float | None = None
    viscosity_constant: float | None = None
    limits_of_use: tuple[WrittenRemark, ...] = ()

    def size(self, name: str) -> float | None:
        """One of the dimensions, in mm or degrees; None where it is not given."""
        found = self.dimensions.get(name)
        return None if isinstance(found, Amount) else found


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedLimits:
    """The specification in an instrument's file: half widths; None where nothing is stated.

    Torque, resolution and zero in % of full scale; speed, geometry and `torque_reading` in %; temperature in K.
    """

    torque: float | None = None
    torque_reading: float | None = None
    torque_resolution: float | None = None
    zero: float | None = None
    speed: float | None = None
    geometry: float | None = None
    temperature: float | None = None
    maximum_permissible_error: dict[str, float] = field(default_factory=dict)
    """By channel, in its unit."""
    accuracy_reading: dict[str, float] = field(default_factory=dict)
    """By channel, % of the reading."""
    resolution: dict[str, float] = field(default_factory=dict)
    """By channel, in its unit."""
    includes: tuple[Literal["geometry", "speed", "resolution", "zero"], ...] = ()
    """Quantities whose share the torque's maximum permissible error contains."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductLimit:
    """Limits of one quantity, and the conditions they apply at; speeds in /min, times in ns, temperatures in Cel."""

    quantity: str
    low: float | None
    high: float | None
    unit: str
    """UCUM code of `low` and `high`."""
    decimals: int | None = None
    geometry: str | None = None
    vessel: str | None = None
    speed: float | None = None
    time: int | None = None
    time_band: int = 0
    temperature: float | None = None
    temperature_band: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductOfPlan:
    """The product's limits and properties, as far as a result needs them."""

    id: str
    unit: str
    """UCUM code of the display unit."""
    reported_digits: int
    reported_decimals: int | None = None
    rounding: Literal["unrounded", "rounded"] = "unrounded"
    limits: tuple[ProductLimit, ...] = ()
    flow_behaviour_index: float | None = None
    temperature_coefficient: float | None = None
    """% per K."""
    density: float | None = None
    """kg/m3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionCurve:
    """The product's viscosity over temperature: ln(eta) = a + b/(T - t0), T in K; `t0` is 0 for Andrade's law."""

    law: Literal["andrade", "vft"]
    b: float
    t0: float
    low: float
    high: float
    """Ends of the range, Cel."""
    reference: float
    """Cel."""
    relative_u: float | None = None
    """Relative standard uncertainty of the exponent."""
    speed: float | None = None
    geometry: str | None = None


@dataclass(frozen=True, slots=True)
class CertifiedPoint:
    """One row of a certificate."""

    celsius: float
    viscosity: float
    """mPa.s."""
    expanded_percent: float
    """Expanded uncertainty, % of the viscosity."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CertifiedFluid:
    """A reference fluid by its certificate."""

    id: str
    lot: str
    certificate: str
    expires: str
    coverage_factor: float
    table: tuple[CertifiedPoint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class VerificationAsked:
    """How the run verifies the instrument."""

    levels: int
    """Number of different torques that have to be judged."""
    full_scale: float
    """Allowed deviation, % of the full-scale viscosity."""
    order: Literal["as_found", "as_left"] = "as_found"
    results_since_pass: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Verified:
    """One judged verification, as it was audited."""

    utc_ns: int
    run: str
    passed: bool
    order: str = "as_found"
    fluid: str = ""
    lot: str = ""
    geometry: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """The state of an instrument's verifications at one moment; times in ns UTC."""

    last: Verified | None
    """The newest judged verification."""
    last_pass_utc_ns: int | None
    due_utc_ns: int | None
    """When the next is due; None where the instrument's file asks for none."""
    overdue: bool

    @property
    def passed(self) -> bool | None:
        """Whether the newest verification passed; None without any."""
        return None if self.last is None else self.last.passed

    @property
    def said(self) -> str:
        """In words."""
        if self.last is not None and not self.last.passed:
            return "failed"
        if self.overdue:
            return "overdue"
        return "never verified" if self.last is None else "passed"


@dataclass(frozen=True, slots=True)
class CurveAsked:
    """The flow curve that the method asks for."""

    branch: Literal["up", "down", "both"] | None
    models: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DensityVessel:
    """A vessel that is weighed full."""

    volume_ml: float
    volume_error: float
    """%."""
    empty_g: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """Everything that `daq.methods` needs to conclude a run, beside the plan's own steps and signals."""

    title: str = ""
    serial: str | None = None
    simulated: bool = False
    result_step: int = 0
    time_from: Literal["step", "run"] | None = None
    units: dict[str, str] = field(default_factory=dict)
    """UCUM code by signal."""
    choices: dict[str, Amount] = field(default_factory=dict)
    allowed_speeds: tuple[float, ...] = ()
    highest_speed: float | None = None
    geometry: MeasuringGeometry | None = None
    other_geometries: dict[str, GeometryConstants] = field(default_factory=dict)
    full_scale_unm: float | None = None
    """Full-scale torque, uN.m."""
    density_vessel: DensityVessel | None = None
    specification: StatedLimits = StatedLimits()
    temperature_limit: float | None = None
    """Limit (K) of the temperature that the run looks at."""
    product: ProductOfPlan | None = None
    temperature_curve: CorrectionCurve | None = None
    fluid: CertifiedFluid | None = None
    verification: VerificationAsked | None = None
    standing: Standing | None = None
    flow_curve: CurveAsked | None = None
    free_swing: bool = False
    last_torque_at_rest: float | None = None
    """Torque (% of full scale) at rest before the run before this one."""
    warnings: tuple[WrittenRemark, ...] = ()

    @property
    def geometry_name(self) -> str | None:
        """Name of the fitted geometry."""
        return None if self.geometry is None else self.geometry.name

    @property
    def viscosity_constant(self) -> float | None:
        """That of the fitted geometry (SI)."""
        return None if self.geometry is None else self.geometry.viscosity_constant

    @property
    def flow_behaviour_index(self) -> float | None:
        """That of the product."""
        return None if self.product is None else self.product.flow_behaviour_index

    @property
    def temperature_coefficient(self) -> float | None:
        """That of the product, % per K."""
        return None if self.product is None else self.product.temperature_coefficient
