"""What viscosity to plan for: as given, as the product expects it, or as its last results were."""

import json
from dataclasses import dataclass
from statistics import median
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.core.errors import SettingError
from daq.core.units import UNITS, convert, symbol
from daq.methods.files.fields import Amount, amount
from daq.methods.files.instrument import Instrument
from daq.methods.files.product import Product
from daq.methods.planning.geometries import flow_geometry
from daq.rheology.cylinders import angular_speed
from daq.rheology.ranges import Expected

LATEST: Final = 5
"""So many of the last results of a product are looked at."""
LOOKED_AT: Final = 200
"""Among so many of its newest runs."""
VISCOSITIES: Final = ("viscosity", "apparent_viscosity")


@dataclass(frozen=True, slots=True)
class Basis:
    """What a plan is made for."""

    expected: Expected
    unit: str
    """The unit (UCUM) in which viscosities are shown."""
    said: str
    """Where it comes from, for a person."""
    temperature_coefficient: float | None = None
    """Of the product, % per K."""


def given_viscosity(text: str) -> Amount:
    """A viscosity from the command line, such as ``800 mPa.s``.

    Raises:
        SettingError: it is no viscosity greater than zero with its unit.
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
    """A plan for a viscosity a person gives; where it is not Newtonian, at a shear rate (1/s) or speed (/min)."""
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
    """A plan for a product: for the viscosity its file expects, otherwise for what its last results were.

    What the file expects is taken to be at the geometry and speed its limits apply at.

    Raises:
        SettingError: neither is there.
    """
    index = flow_behaviour_index or product.flow_behaviour_index or 1.0
    if product.expected_viscosity is not None:
        stated = product.expected_viscosity
        rate, speed = _where_limits_bind(product, instrument)
        expected = Expected(stated.in_unit("Pa.s"), index, rate, speed)
        said = f"{stated.value:g} {symbol(stated.unit)}, expected_viscosity of product {product.id}"
        return Basis(expected, product.unit_code, said, product.temperature_coefficient)
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
    said = (
        f"{convert(value, 'Pa.s', product.unit_code):.4g} {symbol(product.unit_code)}, {which} of product {product.id} "
        f"with {newest['geometry']['name']} at {conditions['set_speed']:g} min⁻¹"
    )
    return Basis(expected, product.unit_code, said, product.temperature_coefficient)


def last_results(reader: Reader, product: str) -> list[dict[str, Any]]:
    """The newest valid viscosities of a product (`ResultData` as JSON), newest first, all at one geometry and speed.

    Not those of a seek, whose sample was sheared on the way.
    """
    out: list[dict[str, Any]] = []
    for record in reader.runs(limit=LOOKED_AT, product=product):
        stored = reader.newest_result(record.id)
        data: dict[str, Any] = {} if stored is None else json.loads(stored.data)
        usable = data.get("validity") == "valid" and data["quantity"] in VISCOSITIES and data["geometry"] is not None
        if not usable or data["sample"].get("sheared") or not data["conditions"]["set_speed"]:
            continue
        if not out or _place(data) == _place(out[0]):
            out.append(data)
        if len(out) == LATEST:
            break
    return out


def _place(data: dict[str, Any]) -> tuple[str, float]:
    return data["geometry"]["name"], data["conditions"]["set_speed"]


def _where_limits_bind(product: Product, instrument: Instrument) -> tuple[float | None, float | None]:
    """Shear rate (1/s) and speed (/min) the product's limits apply at, as far as this instrument's file can tell."""
    speed = next((limit.speed for limit in product.limits if limit.speed is not None), None)
    name = next((limit.geometry for limit in product.limits if limit.speed is not None), None)
    body = None if name is None else instrument.geometries.get(name)
    geometry = None if body is None else flow_geometry(body, 1.0)
    if speed is None or geometry is None or geometry.rate_per_omega is None:
        return None, speed
    return geometry.rate_per_omega * angular_speed(speed), speed
