"""Conditioning and preparation of the sample, as parts of a method's file."""

from typing import Self

from pydantic import Field, model_validator

from daq.methods.files.fields import (
    Amount,
    Duration,
    Kelvins,
    KeyedError,
    Model,
    SpeedSetting,
    TemperatureSetting,
    Text,
)

SECOND = 1_000_000_000


class Temperature(Model):
    """The temperature gate: the temperature stays within target ± band for `hold`, after at most `longest`."""

    signal: Text = "temperature"
    target: TemperatureSetting = Field(description="the temperature in Cel")
    band: Kelvins = Field(description="how far (K) the temperature may be from the target on either side")
    hold: Duration = 60 * SECOND
    longest: Duration = 30 * 60 * SECOND

    @model_validator(mode="after")
    def _reachable(self) -> Self:
        if self.longest <= self.hold:
            raise KeyedError(
                "longest", f"must be longer than hold ({self.hold / SECOND:g} s), or the gate can never open"
            )
        return self


class Preshear(Model):
    """Shearing at one speed for a set time, so that every sample starts from the same state."""

    speed: SpeedSetting = Field(description="the speed in /min")
    time: Duration = Field(description="how long to shear, for example '60 s'")

    @model_validator(mode="after")
    def _positive(self) -> Self:
        if isinstance(self.speed, Amount) and self.speed.value <= 0:
            raise KeyedError("speed", "must be greater than 0; leave preshear out where nothing is to be sheared")
        if self.time <= 0:
            raise KeyedError("time", "must be longer than zero; leave preshear out where nothing is to be sheared")
        return self


class Preparation(Model):
    """Times before the run that the work at the bench counts; a key that is left out is not counted."""

    equilibrating: Duration | None = None
    """Time of the filled cup in the bath before its turn; that of the product comes first."""
    stirring: Duration | None = None
    """Time for which the sample is stirred before it is filled."""
    rest: Duration | None = None
    """Time from the filled vessel to the start of the run."""

    @model_validator(mode="after")
    def _positive(self) -> Self:
        for key in ("equilibrating", "stirring", "rest"):
            given = getattr(self, key)
            if given is not None and given <= 0:
                raise KeyedError(key, "must be longer than zero; leave it out where no time is given")
        return self


class Conditioning(Model):
    """Conditioning of the sample before the measurement; the keys are in the order in which it is done."""

    bath: bool = False
    temperature: Temperature | None = None
    soak: Duration = 0
    preshear: Preshear | None = None
    rest: Duration = 0

    @model_validator(mode="after")
    def _bath_needs_target(self) -> Self:
        if self.bath and self.temperature is None:
            raise KeyedError("bath", "the bath is set to the target temperature; add [conditioning.temperature]")
        return self
