"""The certificate of a reference fluid."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from daq.core.context import CertifiedFluid, CertifiedPoint
from daq.methods.files.fields import Celsius, Day, KeyedError, Listed, Model, Name, Quantity, Text


class CertifiedValue(Model):
    """Viscosity at one temperature, with its expanded uncertainty in the same unit or in %."""

    temperature: Celsius = Field(description="in Cel")
    viscosity: Quantity = Field(description="the certified viscosity with its unit")
    expanded_uncertainty: Quantity = Field(description="from the certificate, '0.3 %' or for example '1.5 mPa.s'")

    @model_validator(mode="after")
    def _units(self) -> Self:
        if self.viscosity.unit not in ("mPa.s", "Pa.s") or self.viscosity.value <= 0:
            raise KeyedError("viscosity", "is a number greater than 0 with its unit, for example '512.4 mPa.s'")
        if self.expanded_uncertainty.unit not in ("mPa.s", "Pa.s", "%") or self.expanded_uncertainty.value <= 0:
            raise KeyedError("expanded_uncertainty", "needs its unit: '0.3 %' or for example '1.5 mPa.s'")
        return self

    @property
    def value_mpa_s(self) -> float:
        """Certified viscosity, mPa.s."""
        return self.viscosity.in_unit("mPa.s")

    @property
    def uncertainty_mpa_s(self) -> float:
        """Expanded uncertainty, mPa.s."""
        given = self.expanded_uncertainty
        return self.value_mpa_s * given.value / 100 if given.unit == "%" else given.in_unit("mPa.s")

    @property
    def uncertainty_percent(self) -> float:
        """Expanded uncertainty, % of the certified value."""
        given = self.expanded_uncertainty
        return given.value if given.unit == "%" else 100 * given.in_unit("mPa.s") / self.value_mpa_s


class Fluid(Model):
    """A certified reference fluid: one lot and its table."""

    id: Name = Field(description="the fluid's name in results, for example 'reference-b'")
    name: Text = Field(description="what a person calls the fluid")
    lot: Text = Field(description="the lot on bottle and certificate")
    certificate: Text = Field(description="the certificate's number")
    expires: Day = Field(description="the day until which the certificate holds, for example 2028-06-30")
    coverage_factor: Annotated[float, Field(gt=0)] = 2.0
    values: Annotated[tuple[CertifiedValue, ...], Listed] = Field(description="the certificate's table, as [[values]]")

    @model_validator(mode="after")
    def _table(self) -> Self:
        if not self.values:
            raise KeyedError("values", "is empty: copy the table of the certificate")
        for i in range(1, len(self.values)):
            if self.values[i].temperature <= self.values[i - 1].temperature:
                raise KeyedError(f"values[{i}].temperature", "temperatures must rise from row to row")
        return self

    def certified(self) -> CertifiedFluid:
        """Return the certificate as a plan carries it."""
        return CertifiedFluid(
            id=self.id,
            lot=self.lot,
            certificate=self.certificate,
            expires=self.expires,
            coverage_factor=self.coverage_factor,
            table=tuple(CertifiedPoint(v.temperature, v.value_mpa_s, v.uncertainty_percent) for v in self.values),
        )
