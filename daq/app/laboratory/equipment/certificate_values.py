"""The values of a calibration's certificate, in the units of the file's constants."""

from collections.abc import Sequence

from daq.app.records.pieces import Piece
from daq.core.errors import SettingError, SettingErrors, coded, moved
from daq.core.units import UNITS, convert
from daq.laboratory.equipment import CalibratedValue
from daq.methods.files.fields import Amount, Model, NeededLabel, Quantity


class GivenValue(Model):
    """One value of a certificate, with its unit: ``1002 uN.m``."""

    name: NeededLabel
    constant: bool
    """The name is a key of the instrument's file; otherwise a point of the certificate."""
    as_found: Quantity
    as_left: Quantity
    uncertainty: Quantity
    """Expanded uncertainty (k = 2) of `as_left`."""


def certified_values(piece: Piece, given: Sequence[GivenValue]) -> tuple[CalibratedValue, ...]:
    """Return all values of a certificate; `SettingErrors` with an error for each value that has one."""
    values, errors = [], []
    for number, one in enumerate(given):
        try:
            values.append(_value(piece, one))
        except SettingError as error:
            key = f"values[{number}]" + (f".{error.key}" if error.key else "")
            errors.append(moved(error, key))
    if errors:
        raise SettingErrors(errors)
    return tuple(values)


def _value(piece: Piece, given: GivenValue) -> CalibratedValue:
    """Return a value of a certificate in the unit of the file's constant, or in the unit of `as_left`."""
    constants = piece.constants or {}
    unit = given.as_left.unit or "1"
    if given.constant:
        if given.name not in constants:
            known = ", ".join(constants) or "none"
            error = SettingError(
                f"the file has no constant {given.name!r} of {piece.name}; constants: {known}; a point of the "
                "certificate that is none is given with --point",
                key="name",
            )
            raise coded(
                error,
                "constant_unknown",
                name=given.name,
                piece=piece.name,
                constants=known,
            )
        unit = constants[given.name].unit
    found, left = (_in_unit(given, name, unit) for name in ("as_found", "as_left"))
    return CalibratedValue(
        name=given.name,
        constant=given.constant,
        unit=unit,
        as_found=found,
        as_left=left,
        uncertainty=_uncertainty(given, unit),
    )


def _in_unit(given: GivenValue, name: str, unit: str) -> float:
    amount: Amount = getattr(given, name)
    if not amount.unit and unit != "1":
        error = SettingError(
            f"{given.name}: {amount.value:g} needs its unit, for example '{amount.value:g} {unit}'", key=name
        )
        raise coded(
            error,
            "value_needs_unit",
            name=given.name,
            given=f"{amount.value:g}",
            field=name,
            unit=unit,
        )
    return amount.in_unit(unit)


def _uncertainty(given: GivenValue, unit: str) -> float:
    """Return the uncertainty in a unit: that of a temperature is a difference, in K."""
    amount = given.uncertainty
    if unit != "1" and UNITS[unit].dimension == "temperature":
        if amount.unit != "K":
            raise coded(
                SettingError(f"{given.name}: the uncertainty of a temperature is written in K", key="uncertainty"),
                "uncertainty_in_kelvin",
                name=given.name,
            )
        return amount.value if unit in ("K", "Cel") else amount.value / UNITS[unit].factor
    if not amount.unit and unit != "1":
        raise coded(
            SettingError(f"{given.name}: needs the unit {unit}", key="uncertainty"),
            "value_needs_unit",
            name=given.name,
            given=f"{amount.value:g}",
            field="uncertainty",
            unit=unit,
        )
    return convert(amount.value, amount.unit or unit, unit)
