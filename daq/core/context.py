"""Parts of a plan that the core stores and does not read: geometry, limits, product and certificate.

They belong to the journal's header, so that a result can be concluded again from the journal alone.  `daq.methods`
makes and reads them.
"""

from dataclasses import dataclass, field
from typing import Literal

from daq.core.remarks import WrittenRemark

ChoiceUse = Literal["speed", "temperature", "other"]
"""Use of a choice: speed of the result's step, target of the temperature, or any other setting of the method."""
CheckKind = Literal["verification", "control"]
"""Check of an instrument: with a certified fluid against its certificate, or with a control fluid against control
limits."""
ControlState = Literal["passed", "missing", "failed", "not_judged", "expired"]
"""State of the control of a shift: its newest control passed, there is none, it failed, it was not judged, or it passed
before the present shift or before the measuring geometry was fitted."""


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
    """Measuring geometry of the run: its description for the result, and its constants (SI)."""

    name: str
    kind: str
    dimensions: dict[str, float | Amount | None]
    """Dimensions as in the instrument's file: mm and degrees."""
    serial: str = ""
    """Serial number of the geometry; "" where the instrument's file states none."""
    stirrup: bool = False
    vessel: str = ""
    fill_volume_ml: float | None = None
    immersion: str = ""
    stress_per_torque: float | None = None
    rate_per_omega: float | None = None
    viscosity_constant: float | None = None
    limits_of_use: tuple[WrittenRemark, ...] = ()

    def size(self, name: str) -> float | None:
        """Return one of the dimensions, in mm or degrees; None where it is not given."""
        found = self.dimensions.get(name)
        return None if isinstance(found, Amount) else found


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedLimits:
    """Specification in an instrument's file, as half widths; None where nothing is stated.

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
    maximum_permissible_error_reading: dict[str, float] = field(default_factory=dict)
    """By channel, % of the reading."""
    resolution: dict[str, float] = field(default_factory=dict)
    """By channel, in its unit."""
    includes: tuple[Literal["geometry", "speed", "resolution", "zero"], ...] = ()
    """Quantities whose errors are contained in the torque's maximum permissible error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductLimit:
    """Limits of one quantity, and the conditions they apply at; speeds in /min, times in ns, temperatures in Cel."""

    quantity: str
    low: float | None
    high: float | None
    unit: str
    """UCUM code of `low` and `high`."""
    methods: tuple[str, ...] = ()
    """Methods the limits were set for, each as id, a space and version.  The limits apply to results of no other."""
    choices: dict[str, Amount] = field(default_factory=dict)
    """Values of the method's choices the limits were set for, where they are not the default."""
    decimals: int | None = None
    geometry: str | None = None
    vessel: str | None = None
    speed: float | None = None
    time: int | None = None
    time_band: int = 0
    temperature: float | None = None
    temperature_band: float = 0.0
    guard_band: float | None = None
    """Guard band in `unit`; None: the product's multiple of the expanded uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductOfPlan:
    """Limits and properties of the product that a result needs."""

    id: str
    unit: str
    """UCUM code of the unit in which results are reported."""
    reported_digits: int
    reported_decimals: int | None = None
    rounding: Literal["unrounded", "rounded"] = "unrounded"
    acceptance: Literal["simple_acceptance", "guard_banded_acceptance"] = "simple_acceptance"
    """Decision rule (JCGM 106)."""
    guard_factor: float = 1.0
    """Guard band as a multiple of the expanded uncertainty, where a limit states none."""
    limits: tuple[ProductLimit, ...] = ()
    flow_behaviour_index: float | None = None
    temperature_coefficient: float | None = None
    """% per K."""
    density: float | None = None
    """kg/m3."""
    solid_density: float | None = None
    """kg/m3, of the dry solid of a slip."""
    solid_density_error: float | None = None
    """kg/m3, half width of a rectangular distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionCurve:
    """Viscosity of the product over temperature: ln(η) = a + b/(T - t0), T in K; `t0` is 0 for Andrade's law."""

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
    """Reference fluid as its certificate describes it."""

    id: str
    lot: str
    certificate: str
    expires: str
    coverage_factor: float
    table: tuple[CertifiedPoint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLimits:
    """Control limits of single values of a control fluid: the centre line ± 3 standard deviations."""

    centre: float
    standard_deviation: float
    unit: str
    """UCUM code of both."""
    fixed_by: str = ""
    """The person who fixed the limits of the control chart; "" where they are those of the fluid's file."""
    fixed_on: str = ""
    """Local day (YYYY-MM-DD) on which that was done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerificationAsked:
    """Verification of the instrument, or control of it, that the run makes."""

    levels: int
    """Number of torque levels that must be judged."""
    full_scale: float
    """Permissible deviation, % of the full-scale viscosity."""
    condition: Literal["as_found", "as_left"] = "as_found"
    """Condition of the instrument: before (as found) or after (as left) an adjustment."""
    results_since_pass: tuple[str, ...] = ()
    kind: CheckKind = "verification"
    control: ControlLimits | None = None
    """Control limits of a control; None where there are none yet."""


@dataclass(frozen=True, slots=True)
class Verified:
    """A judged verification as it is in the audit trail."""

    utc_ns: int
    run: str
    passed: bool
    condition: str = "as_found"
    fluid: str = ""
    lot: str = ""
    geometry: str = ""
    geometry_serial: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """Verification status of an instrument with one measuring geometry at one moment; times in ns UTC."""

    last: Verified | None
    """The newest judged verification."""
    last_pass_utc_ns: int | None
    due_utc_ns: int | None
    """Time at which the next verification is due; None where the instrument's file asks for none, there is no pass, or
    the last pass lies more than an interval in the future."""
    overdue: bool

    @property
    def passed(self) -> bool | None:
        """True if the newest verification passed; None without any."""
        return None if self.last is None else self.last.passed

    @property
    def future_pass_utc_ns(self) -> int | None:
        """Time of the last pass where it makes overdue because it lies in the future: a clock was set back; or None."""
        return self.last_pass_utc_ns if self.overdue and self.due_utc_ns is None else None

    @property
    def text(self) -> str:
        """Verification status in words."""
        if self.last is not None and not self.last.passed:
            return "failed"
        if self.overdue:
            return "overdue"
        return "never verified" if self.last is None else "passed"


@dataclass(frozen=True, slots=True, kw_only=True)
class RequiredControl:
    """The control that the file of the bench requires, as it is recorded at the start of a run."""

    fluid: str
    state: ControlState
    last: Verified | None = None
    """The newest control of this instrument and measuring geometry with this fluid; `utc_ns` is its start."""


@dataclass(frozen=True, slots=True)
class CurveAsked:
    """Flow curve that the method asks for."""

    branch: Literal["up", "down", "both"] | None
    models: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DensityVessel:
    """Vessel that is weighed full to find the density of a sample."""

    volume_ml: float
    volume_error: float
    """%."""
    empty_g: float


@dataclass(frozen=True, slots=True)
class OverdueCalibration:
    """A piece of equipment of a run whose calibration was overdue at the start of the run."""

    piece: str
    """Its name: bench-1, bench-1/coaxial-12."""
    due: str
    """Day (YYYY-MM-DD) on which it was due; "" where no calibration is recorded for this serial number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """Data that `daq.methods` needs to conclude a run, besides the steps and signals of the plan."""

    title: str = ""
    serial: str | None = None
    simulated: bool = False
    result_step: int = 0
    time_from: Literal["step", "run"] | None = None
    units: dict[str, str] = field(default_factory=dict)
    """UCUM code by signal."""
    choices: dict[str, Amount] = field(default_factory=dict)
    choices_changed: dict[str, tuple[ChoiceUse, ...]] = field(default_factory=dict)
    """Uses of each choice that is not at its default."""
    allowed_speeds: tuple[float, ...] = ()
    highest_speed: float | None = None
    geometry: MeasuringGeometry | None = None
    other_geometries: dict[str, GeometryConstants] = field(default_factory=dict)
    full_scale_unm: float | None = None
    """Full-scale torque, µN·m."""
    density_vessel: DensityVessel | None = None
    specification: StatedLimits = StatedLimits()
    temperature_limit: float | None = None
    """Maximum permissible error (K) of the temperature that the method uses."""
    product: ProductOfPlan | None = None
    temperature_curve: CorrectionCurve | None = None
    fluid: CertifiedFluid | None = None
    verification: VerificationAsked | None = None
    standing: Standing | None = None
    control: RequiredControl | None = None
    """The required control of the shift; None where the file of the bench requires none."""
    overdue: tuple[OverdueCalibration, ...] = ()
    """Equipment of the run whose calibration was overdue at its start."""
    flow_curve: CurveAsked | None = None
    free_swing: bool = False
    interval_required: bool = False
    """True if the method requires an expanded uncertainty of its value."""
    last_torque_at_rest: float | None = None
    """Torque at rest (% of full scale) before the previous run on the instrument."""
    warnings: tuple[WrittenRemark, ...] = ()

    @property
    def geometry_name(self) -> str | None:
        """Name of the fitted measuring geometry; None without one."""
        return None if self.geometry is None else self.geometry.name

    @property
    def viscosity_constant(self) -> float | None:
        """Viscosity constant (SI) of the fitted measuring geometry; None without one."""
        return None if self.geometry is None else self.geometry.viscosity_constant

    @property
    def flow_behaviour_index(self) -> float | None:
        """Flow behaviour index of the product; None where it states none."""
        return None if self.product is None else self.product.flow_behaviour_index

    @property
    def temperature_coefficient(self) -> float | None:
        """Temperature coefficient of the product, % per K; None where it states none."""
        return None if self.product is None else self.product.temperature_coefficient
