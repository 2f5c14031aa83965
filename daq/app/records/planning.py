"""The viscosity to plan for: as given, as the product's file expects it, or as in the product's last results."""

from dataclasses import dataclass
from statistics import median
from typing import Any, Final

from daq.adapters.store.forms.result_values import DamagedResultError, whole_values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import ResultRecord
from daq.app.screens.text import digits_of
from daq.core.errors import SettingError
from daq.core.units import UNITS, convert, symbol
from daq.methods.files.fields import Amount, amount
from daq.methods.files.instrument import Instrument
from daq.methods.files.product import Product
from daq.methods.parts.viscosities import VISCOSITIES
from daq.methods.planning.geometries import flow_geometry
from daq.quality.digits import significant
from daq.rheology.cylinders import angular_speed
from daq.rheology.ranges import Expected

LATEST: Final = 5
"""Largest number of a product's last results that are used."""
LOOKED_AT: Final = 200
"""Number of a product's newest runs that are searched for them."""


@dataclass(frozen=True, slots=True)
class Basis:
    """The viscosity for which a plan is made."""

    expected: Expected
    unit: str
    """The unit (UCUM) in which viscosities are shown."""
    source: str
    """Origin of the expected viscosity, for a person."""
    temperature_coefficient: float | None = None
    """Of the product, % per K."""


def given_viscosity(text: str) -> Amount:
    """Return a viscosity from the command line, such as ``800 mPa.s``.

    Raises:
        SettingError: the text is no viscosity greater than zero with its unit.
    """
    try:
        found = amount(text, "viscosity")
    except ValueError as error:
        raise SettingError(str(error), key="--viscosity") from None
    if found.unit not in UNITS or UNITS[found.unit].dimension != "viscosity" or found.value <= 0:
        raise SettingError(
            f"{text!r} is no viscosity; write it with its unit, for example '800 mPa.s'", key="--viscosity"
        )
    return found


def basis_of_viscosity(
    text: str,
    flow_behaviour_index: float | None,
    at_rate: float | None,
    at_speed: float | None,
    product: Product | None,
) -> Basis:
    """Return the basis for a given viscosity, which applies at a shear rate (1/s) or speed (/min) if not Newtonian."""
    found = given_viscosity(text)
    stated = None if product is None else product.flow_behaviour_index
    index = flow_behaviour_index or stated or 1.0
    expected = Expected(convert(found.value, found.unit, "Pa.s"), index, at_rate, at_speed)
    unit = found.unit if product is None else product.unit_code
    coefficient = None if product is None else product.temperature_coefficient
    return Basis(expected, unit, f"{found.value:g} {symbol(found.unit)} as given", coefficient)


def basis_of_product(
    product: Product, instrument: Instrument, reader: Reader | None, flow_behaviour_index: float | None
) -> Basis:
    """Return the basis for a product: the viscosity that its file expects, otherwise the median of its last results.

    The expected viscosity is taken to apply at the geometry and speed at which the product's limits apply.

    Raises:
        SettingError: the file expects no viscosity, and there is no valid result.
    """
    index = flow_behaviour_index or product.flow_behaviour_index or 1.0
    if product.expected_viscosity is not None:
        stated = product.expected_viscosity
        rate, speed = _where_limits_bind(product, instrument)
        expected = Expected(stated.in_unit("Pa.s"), index, rate, speed)
        source = f"{stated.value:g} {symbol(stated.unit)}, expected_viscosity of product {product.id}"
        return Basis(expected, product.unit_code, source, product.temperature_coefficient)
    found = [] if reader is None else last_results(reader, product.id)
    if not found:
        raise SettingError(
            "is missing, and there is no valid result of this product yet; add it, or give --viscosity",
            file=product.source,
            key="expected_viscosity",
        )
    newest = found[0]
    value = median(convert(r["value"], r["unit"], "Pa.s") for r in found)
    conditions = newest["conditions"]
    rates = [r["conditions"]["shear_rate"] for r in found if r["conditions"]["shear_rate"]]
    expected = Expected(value, index, median(rates) if rates else None, conditions["set_speed"])
    which = "the last valid result" if len(found) == 1 else f"median of the last {len(found)} valid results"
    shown = significant(convert(value, "Pa.s", product.unit_code), digits_of(newest))
    source = (
        f"{shown} {symbol(product.unit_code)}, {which} of product {product.id} "
        f"with {newest['geometry']['name']} at {conditions['set_speed']:g} min⁻¹"
    )
    return Basis(expected, product.unit_code, source, product.temperature_coefficient)


def last_results(reader: Reader, product: str) -> list[dict[str, Any]]:
    """Return the newest valid viscosities of a product (`ResultData` as JSON), newest first.

    All are at the same geometry and speed.  Results of a seek are left out, because its sample was sheared before.
    """
    out: list[dict[str, Any]] = []
    for record in reader.runs(limit=LOOKED_AT, product=product):
        data = _usable(reader.newest_result(record.id))
        if data is None:
            continue
        if not out or _place(data) == _place(out[0]):
            out.append(data)
        if len(out) == LATEST:
            break
    return out


def _usable(stored: ResultRecord | None) -> dict[str, Any] | None:
    """Return the values of a result from which a plan can be made; None for another one, also for a damaged one."""
    try:
        data: dict[str, Any] = {} if stored is None else whole_values_of(stored)
        if data.get("validity") != "valid" or data["quantity"] not in VISCOSITIES or data["geometry"] is None:
            return None
        conditions, _, _ = data["conditions"], data["conditions"]["shear_rate"], _place(data)
        usable = not data["sample"].get("sheared") and conditions["set_speed"]
    except DamagedResultError:
        return None
    return data if usable else None


def _place(data: dict[str, Any]) -> tuple[str, float]:
    return data["geometry"]["name"], data["conditions"]["set_speed"]


def _where_limits_bind(product: Product, instrument: Instrument) -> tuple[float | None, float | None]:
    """Return shear rate (1/s) and speed (/min) at which the product's limits apply, as far as the files give them."""
    speed = next((limit.speed for limit in product.limits if limit.speed is not None), None)
    name = next((limit.geometry for limit in product.limits if limit.speed is not None), None)
    given = None if name is None else instrument.geometries.get(name)
    geometry = None if given is None else flow_geometry(given, 1.0)
    if speed is None or geometry is None or geometry.rate_per_omega is None:
        return None, speed
    return geometry.rate_per_omega * angular_speed(speed), speed
