"""The act that records which measuring geometry is fitted to an instrument, and with which constants it is used."""

from dataclasses import replace
from typing import Any, Final

from daq.adapters.store.declaring.beginning import Fit
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory
from daq.app.records.equipment_state import out_of_service
from daq.app.records.pieces import named_piece
from daq.app.setup.constants import differing, differing_around, differing_words, renamed
from daq.app.setup.fitted import change_of, fit_of, fits_in_order, fitted_as, is_piece
from daq.core.errors import SettingError
from daq.methods.files.fields import Label, Model, NeededLabel


class FitGeometry(Model):
    """Order to record a fitted geometry; without one, the constants of an instrument that has none, as a balance."""

    instrument: NeededLabel
    geometry: Label = ""
    serial: Label = ""
    """Serial number of the geometry, where the instrument's file states none."""


def fit(laboratory: Laboratory, order: FitGeometry) -> dict[str, Any]:
    """Record the geometry that is fitted to an instrument, with its constants as the files have them now.

    The outcome states whether it is out of service, and which constants are others than when it was fitted last:
    verifications before that do not count any more.

    Raises:
        SettingError: instrument or geometry are not known, none is named where one is recorded, the serial number
            is another one than in the file, or the instrument is in a run.
    """
    catalogue = laboratory.catalogue
    record = fitted_as(catalogue, catalogue.instrument(order.instrument), order.geometry, order.serial)
    with laboratory.reader() as reader:
        before = fit_of(reader, order.instrument)
        earlier = [fitted for _, fitted in fits_in_order(reader, order.instrument) if fitted.constants]
    if before is not None and before.record.geometry and not record.geometry:
        known = ", ".join(catalogue.instrument(order.instrument).geometries) or "none"
        raise SettingError(
            f"is missing: {before.record.geometry} is recorded as fitted; name the geometry that is fitted now; "
            f"{order.instrument} has {known}",
            key="geometry",
        )
    same = [f for f in earlier if is_piece(f, record.geometry, record.serial)]
    before_now = renamed(same[-1].constants, same[-1].geometry, record.geometry) if same else record.constants
    around_before = record.around if not same or same[-1].around is None else same[-1].around
    around = differing_around(around_before or {}, record.around or {})
    what = "geometry_fitted" if record.geometry else "constants_recorded"
    change = change_of(record, what, 0 if before is None else before.revision)
    laboratory.store.submit(Fit(change, laboratory.clock.utc_ns(), laboratory.who)).result()
    name = f"{record.id}/{record.geometry}" if record.geometry else record.id
    with laboratory.reader() as reader:
        piece = named_piece(catalogue, reader, name)
        piece = replace(piece, serial=record.serial) if record.geometry else piece
        out = [o.words for o in out_of_service(reader, piece)]
    return {
        "constants": differing_words([*differing(before_now, record.constants), *around]),
        "out_of_service": out[0] if out else "",
        "instrument": record.id,
        "geometry": record.geometry,
        "serial": record.serial,
        "before": "" if before is None else before.record.geometry,
    }


ACTS: Final = (Act("fit", FitGeometry, "measure", fit),)
