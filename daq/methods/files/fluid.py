"""The file of a reference fluid with its certificate, or of a control fluid of the works."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from daq.core.context import CertifiedFluid, CertifiedPoint, ControlLimits
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


class AssignedValue(Model):
    """Mean and standard deviation of single values of a control fluid at one temperature, from the works' own data."""

    temperature: Celsius = Field(description="in Cel, within the temperature band of the control's method")
    viscosity: Quantity = Field(description="the mean with its unit")
    standard_deviation: Quantity = Field(description="of single values: '0.6 %' or for example '3 mPa.s'")
    geometry: Name | None = None
    """The measuring geometry for which it holds; left out: for each."""

    @model_validator(mode="after")
    def _units(self) -> Self:
        if self.viscosity.unit not in ("mPa.s", "Pa.s") or self.viscosity.value <= 0:
            raise KeyedError("viscosity", "is a number greater than 0 with its unit, for example '480 mPa.s'")
        if self.standard_deviation.unit not in ("mPa.s", "Pa.s", "%") or self.standard_deviation.value <= 0:
            raise KeyedError("standard_deviation", "needs its unit: '0.6 %' or for example '3 mPa.s'")
        return self

    def limits(self, unit: str) -> ControlLimits:
        """Return the control limits in a unit of viscosity (UCUM)."""
        centre, given = self.viscosity.in_unit(unit), self.standard_deviation
        scatter = centre * given.value / 100 if given.unit == "%" else given.in_unit(unit)
        return ControlLimits(centre=centre, standard_deviation=scatter, unit=unit)


class Fluid(Model):
    """One lot of a certified reference fluid with its table, or of a control fluid of the works."""

    id: Name = Field(description="the fluid's name in results, for example 'reference-b'")
    name: Text = Field(description="what a person calls the fluid")
    lot: Text = Field(description="the lot on bottle and certificate")
    certificate: Text | None = None
    """The certificate's number; left out for a control fluid without a certificate."""
    expires: Day = Field(description="the day until which certificate or fluid holds, for example 2028-06-30")
    coverage_factor: Annotated[float, Field(gt=0)] = 2.0
    values: Annotated[tuple[CertifiedValue, ...], Listed] = ()
    """The certificate's table, as [[values]]."""
    assigned: Annotated[tuple[AssignedValue, ...], Listed] = ()
    """Assigned values of a control fluid, as [[assigned]]; they count until the limits of its chart are fixed."""

    @model_validator(mode="after")
    def _table(self) -> Self:
        if self.certificate is not None and not self.values:
            raise KeyedError("values", "is empty: copy the table of the certificate")
        if self.certificate is None and self.values:
            raise KeyedError("certificate", "is missing: name the certificate of the table")
        places = [(a.temperature, a.geometry) for a in self.assigned]
        if len(set(places)) < len(places):
            raise KeyedError("assigned", "has two rows for one temperature and measuring geometry")
        for i in range(1, len(self.values)):
            if self.values[i].temperature <= self.values[i - 1].temperature:
                raise KeyedError(f"values[{i}].temperature", "temperatures must rise from row to row")
        return self

    def assigned_within(self, low: float, high: float, geometry: str) -> AssignedValue | None:
        """Return the assigned value within a band of temperatures (Cel) for a measuring geometry; None without one.

        A row that names the geometry comes before one for each geometry.  Two rows within the band decide nothing.
        """
        found = [a for a in self.assigned if low <= a.temperature <= high]
        own = [a for a in found if a.geometry == geometry] or [a for a in found if a.geometry is None]
        return own[0] if len(own) == 1 else None

    def certified(self) -> CertifiedFluid:
        """Return the certificate as a plan carries it."""
        return CertifiedFluid(
            id=self.id,
            lot=self.lot,
            certificate=self.certificate or "",
            expires=self.expires,
            coverage_factor=self.coverage_factor,
            table=tuple(CertifiedPoint(v.temperature, v.value_mpa_s, v.uncertainty_percent) for v in self.values),
        )
