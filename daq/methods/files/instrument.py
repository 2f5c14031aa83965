"""The instrument's file: port, driver, limits, specification, and the fitted measuring geometry."""

from dataclasses import fields, replace
from typing import Annotated, Any, Final, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from daq.core.context import DensityVessel, StatedLimits
from daq.core.driver import Port
from daq.core.errors import SettingError
from daq.core.portname import check_port_name
from daq.core.units import UNITS
from daq.methods.files.fields import (
    Amount,
    Duration,
    KelvinDifference,
    Kelvins,
    KeyedError,
    Listed,
    Millilitres,
    Millimetres,
    Model,
    Name,
    Percent,
    PerMinute,
    Quantity,
    Text,
)

GeometryKind = Literal[
    "coaxial_cylinders",
    "single_cylinder_in_large_vessel",
    "cone_and_plate",
    "parallel_plates",
    "disc",
    "vane",
    "calibrated_constants",
]
EXAMPLES: Final = {"volume": "'100 mL'", "mass": "'52.3 g'"}
Positive = Annotated[Percent, Field(gt=0)]
Included = Literal["geometry", "speed", "resolution", "zero"]


class _Geometry(Model):
    """Keys that all measuring geometries have in common."""

    title: str = ""
    serial: Text | None = None
    """Serial number of the geometry; a verification counts for it together with the instrument's serial number."""
    stirrup: bool = False
    """True if a wire stirrup surrounds the rotor; this is not the safety guard."""
    vessel: str = ""
    fill_volume: Millilitres | None = None
    immersion: str = ""


class CoaxialCylinders(_Geometry):
    """A cylinder turning in a cylindrical cup, both known (ISO 3219-2)."""

    kind: Literal["coaxial_cylinders"]
    inner_radius: Millimetres = Field(description="radius of the turning cylinder in mm")
    outer_radius: Millimetres = Field(description="radius of the cup in mm")
    length: Millimetres = Field(description="length of the turning cylinder in mm")
    end_factor: Annotated[float, Field(ge=1)] = 1.0

    @model_validator(mode="after")
    def _nested(self) -> Self:
        if self.outer_radius <= self.inner_radius:
            raise KeyedError(
                "outer_radius", f"must be larger than inner_radius ({self.inner_radius:g} mm): the rotor is in the cup"
            )
        return self


class SingleCylinder(_Geometry):
    """A cylinder turning in a vessel much wider than itself."""

    kind: Literal["single_cylinder_in_large_vessel"]
    radius: Millimetres = Field(description="radius of the turning cylinder in mm")
    length: Millimetres = Field(description="length of the turning cylinder in mm")
    end_factor: Annotated[float, Field(ge=1)] = 1.0
    vessel_radius: Millimetres | None = None

    @model_validator(mode="after")
    def _nested(self) -> Self:
        if self.vessel_radius is not None and self.vessel_radius <= self.radius:
            raise KeyedError("vessel_radius", f"must be larger than radius ({self.radius:g} mm)")
        return self


class ConeAndPlate(_Geometry):
    """A flat cone on a plate."""

    kind: Literal["cone_and_plate"]
    radius: Millimetres = Field(description="radius of the cone in mm")
    angle: Annotated[float, Field(gt=0, lt=10, description="angle between cone and plate in degrees")]


class ParallelPlates(_Geometry):
    """Two flat plates."""

    kind: Literal["parallel_plates"]
    radius: Millimetres = Field(description="radius of the plates in mm")
    gap: Millimetres = Field(description="distance of the plates in mm")


class Disc(_Geometry):
    """A thin disc turning slowly in a wide vessel."""

    kind: Literal["disc"]
    radius: Millimetres = Field(description="radius of the disc in mm")


class Vane(_Geometry):
    """A vane for the yield stress: it measures a stress, and neither rate nor viscosity."""

    kind: Literal["vane"]
    diameter: Millimetres = Field(description="diameter of the vane in mm")
    height: Millimetres = Field(description="height of the vane in mm")


class CalibratedConstants(_Geometry):
    """A geometry of any shape, known by its calibration: the viscosity that gives full-scale torque at one speed."""

    kind: Literal["calibrated_constants"]
    full_scale_viscosity: Quantity = Field(description="viscosity that gives full-scale torque, e.g. '10000 mPa.s'")
    at_speed: PerMinute = Field(description="the speed for which it is given, in /min")

    @model_validator(mode="after")
    def _viscosity(self) -> Self:
        if self.full_scale_viscosity.unit not in ("mPa.s", "Pa.s"):
            raise KeyedError("full_scale_viscosity", "needs its unit: write for example '10000 mPa.s'")
        if self.full_scale_viscosity.value <= 0:
            raise KeyedError("full_scale_viscosity", "must be greater than 0")
        return self


Geometry = Annotated[
    CoaxialCylinders | SingleCylinder | ConeAndPlate | ParallelPlates | Disc | Vane | CalibratedConstants,
    Field(discriminator="kind"),
]


def port_name(name: str) -> str:
    """Return `name`; `ValueError` if it cannot be a port."""
    try:
        check_port_name(name)
    except SettingError as error:
        raise ValueError(error.reason) from None
    return name


class SerialLine(Model):
    """Serial settings that replace those of the driver."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] | None = None
    data_bits: Literal[5, 6, 7, 8] | None = None
    parity: Literal["N", "E", "O"] | None = None
    stop_bits: Literal[1, 2] | None = None
    flow: Literal["none", "xon/xoff", "rts/cts"] | None = None
    dtr: bool | None = None
    rts: bool | None = None
    settle: Duration | None = Field(default=None, description="quiet time after opening, for example '500 ms'")
    byte_pause: Duration | None = Field(
        default=None, description="pause between two bytes that are sent, for example '5 ms'"
    )

    def over(self, port: Port) -> Port:
        """Return the driver's settings `port`, replaced by those of the file where it has them."""
        given = self.model_dump(exclude_none=True)
        for key in {"settle", "byte_pause"} & set(given):
            given[f"{key}_ns"] = given.pop(key)
        return replace(port, **given)


class InstrumentLimits(Model):
    """Limits that no method may exceed."""

    speed: PerMinute | None = None
    torque: Positive | None = None


class Specification(Model):
    """The maker's specification.  Every limit is the half width of a rectangular distribution (JCGM 100, 4.3.7)."""

    torque_full_scale: Quantity | None = None
    torque: Positive | None = None
    torque_reading: Positive | None = None
    torque_resolution: Positive | None = None
    zero: Positive | None = None
    """Limit of the torque's zero, % of full scale, if it is stated in addition to `torque`."""
    speed: Positive | None = None
    geometry: Positive | None = None
    temperature: Kelvins | None = None
    maximum_permissible_error: dict[Text, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)
    """Maximum permissible error of any other channel, by its name, in its unit, over the whole range."""
    maximum_permissible_error_reading: dict[Text, Percent] = Field(default_factory=dict)
    """Part of it that grows with the reading, %; it is added if both are stated."""
    resolution: dict[Text, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)
    """Smallest step shown by any other channel, by its name, in its unit."""
    includes: Annotated[tuple[Included, ...], Listed] = ()
    reference: str = ""

    @model_validator(mode="after")
    def _torque(self) -> Self:
        scale = self.torque_full_scale
        if scale is not None and (scale.unit not in ("uN.m", "mN.m", "N.m") or scale.value <= 0):
            raise KeyedError("torque_full_scale", "is a torque greater than 0 with its unit, for example '1000 uN.m'")
        if self.includes and self.torque is None and self.torque_reading is None:
            raise KeyedError(
                "includes", "lists parts of the maximum permissible error of the torque, but 'torque' is not given"
            )
        return self

    def planned(self) -> StatedLimits:
        """Return the limits as a plan carries them."""
        return StatedLimits(**{f.name: getattr(self, f.name) for f in fields(StatedLimits)})


class MeasuredVessel(Model):
    """A vessel of known volume that is weighed full on a balance, so that the mass gives a density."""

    volume: Quantity = Field(description="from its calibration, with its unit, for example '100.05 mL'")
    volume_error: Annotated[float, Field(ge=0, lt=10)] = 0.0
    """Limit of the volume's error, %."""
    empty: Quantity = Amount(0.0, "g")
    """Mass of the empty vessel; left out if the balance is tared with it."""

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        for key, given, dimension in (("volume", self.volume, "volume"), ("empty", self.empty, "mass")):
            if not given.unit or UNITS[given.unit].dimension != dimension:
                raise KeyedError(key, f"is a {dimension} with its unit, for example {EXAMPLES[dimension]}")
        if self.volume.value <= 0:
            raise KeyedError("volume", "must be above 0")
        if self.empty.value < 0:
            raise KeyedError("empty", "must not be negative")
        return self

    def planned(self) -> DensityVessel:
        """Return the vessel as a plan carries it."""
        return DensityVessel(self.volume.in_unit("mL"), self.volume_error, self.empty.in_unit("g"))


class VerificationInterval(Model):
    """Interval at which the instrument is to be verified with a certified fluid."""

    every: Duration = Field(description="time after a passed verification at which the next is overdue, such as '31 d'")

    @model_validator(mode="after")
    def _positive(self) -> Self:
        if self.every <= 0:
            raise KeyedError("every", "must be longer than zero; leave [verification] out if none is needed")
        return self


class ControlOfShift(Model):
    """Control fluid that must pass on this instrument once a shift, with the measuring geometry that is fitted."""

    fluid: Name = Field(description="id of the control fluid, for example 'house-oil'")
    method: Name = Field(description="id of the method that measures it, for example 'house-control'")


class HealthLimits(Model):
    """Limits beyond which a trend of the instrument's health is reported.  Common practice, no source."""

    zero: Positive = 0.5
    """Torque at rest, % of full scale."""
    zero_change: Positive = 0.3
    """Change of the torque at rest over the examined runs, % of full scale."""
    ripple: Positive = 2.0
    """Once-per-revolution ripple, % of the reading."""
    return_to_zero: Positive = 0.3
    """Torque at rest after turning in air less the torque before, % of full scale."""


class Probe(Model):
    """A temperature of this instrument: its channel, and the correction from its calibration."""

    channel: Text | None = None
    """The driver's channel; left out: the channel with the probe's name."""
    kind: Literal["Pt100", "Pt500", "Pt1000"] | None = None
    """Platinum thermometer (IEC 60751) whose channel is in Ohm; left out: the channel is a temperature."""
    offset: KelvinDifference = 0.0
    """Correction added to the temperature: certified less shown, K."""


class Instrument(Model):
    """One device on one port."""

    name: Name = Field(description="the instrument's name in topics and on the command line, for example 'bench-1'")
    title: str = ""
    driver: Text = Field(description="which kind of instrument it is, for example 'rotational'")
    port: Annotated[Text, AfterValidator(port_name)] = Field(
        description="a device such as /dev/daq-bench-1, usb:VENDOR:PRODUCT:SERIAL, socket://host:port or rfc2217://host:port"
    )
    expect_serial: Text | None = None
    enable_motion: bool = False
    options: dict[str, Any] = Field(default_factory=dict)
    probes: dict[Name, Probe] = Field(default_factory=dict)
    serial_line: SerialLine = SerialLine()
    limits: InstrumentLimits = InstrumentLimits()
    specification: Specification | None = None
    density_vessel: MeasuredVessel | None = None
    """For a balance: the signal `density` is the mass in this vessel over its volume."""
    fitted: Name | None = None
    geometries: dict[Name, Geometry] = Field(default_factory=dict)
    companions: dict[Name, Name] = Field(default_factory=dict)
    verification: VerificationInterval | None = None
    control: ControlOfShift | None = None
    """Until this control has passed in the present shift, results are Uncertain; left out: none is required."""
    health: HealthLimits = HealthLimits()
    simulated: bool = False

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.fitted is not None and self.fitted not in self.geometries:
            known = ", ".join(self.geometries) or "none"
            raise KeyedError("fitted", f"no geometry has the name {self.fitted!r}; geometries of this file: {known}")
        for role, other in self.companions.items():
            if other == self.name:
                raise KeyedError(f"companions.{role}", "an instrument cannot be its own companion")
        return self

    @property
    def driver_options(self) -> dict[str, Any]:
        """Options from which the driver is made, with the probes if any are declared."""
        declared = {name: probe.model_dump(mode="json") for name, probe in self.probes.items()}
        return {**self.options, "probes": declared} if declared else dict(self.options)

    @property
    def geometry(self) -> Geometry | None:
        """The measuring geometry that is fitted."""
        return None if self.fitted is None else self.geometries[self.fitted]

    def with_fitted(self, geometry: str) -> "Instrument":
        """Return the same instrument with another geometry fitted.

        Raises:
            SettingError: the file has no geometry of that name.
        """
        if geometry not in self.geometries:
            known = ", ".join(self.geometries) or "none"
            raise SettingError(
                f"no geometry has the name {geometry!r}; geometries of {self.name}: {known}",
                file=self.source,
                key="geometries",
            )
        return self.model_copy(update={"fitted": geometry})
