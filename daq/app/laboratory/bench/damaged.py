"""Take a damaged measuring geometry out of service, and refuse runs with it.  The one place that decides this."""

from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, changed, find, new
from daq.core.errors import SettingError
from daq.laboratory.bench.damage import Damage
from daq.methods.files.fields import Label, Model, NeededLabel


class PutBack(Model):
    """Order to use a geometry again that was out of service."""

    bench: NeededLabel
    geometry: NeededLabel
    serial: Label = ""
    because: NeededLabel


def take_out_of_service(laboratory: Laboratory, bench: str, geometry: str, serial: str, because: str) -> None:
    """Record that a measuring geometry of a bench is damaged: no run starts with it any more."""
    record = Damage(id=_ident(bench, geometry, serial), because=because)
    kept = laboratory.found(Damage, record.id)
    change = new(record, "geometry_damaged") if kept is None else changed(kept, record, "geometry_damaged")
    laboratory.change(change, because=because)


def out_of_service(reader: Reader, bench: str, geometry: str, serial: str) -> str:
    """Return why a measuring geometry must not be used; "" where it may."""
    kept = find(reader, Damage, _ident(bench, geometry, serial)) if geometry else None
    if kept is None or not kept.record.because:
        return ""
    number = f" (serial number {serial})" if serial else ""
    return (
        f"{geometry}{number} is damaged: {kept.record.because}; fit another one, or let a reviewer put it back: "
        f"daq fit {bench} {geometry} --mended TEXT"
    )


def refuse_damaged(reader: Reader, bench: str, geometry: str, serial: str) -> None:
    """Raise `SettingError` if a measuring geometry is out of service."""
    if words := out_of_service(reader, bench, geometry, serial):
        raise SettingError(words, key="instrument")


def put_back(laboratory: Laboratory, order: PutBack) -> dict[str, Any]:
    """Put a measuring geometry back into service.

    Raises:
        SettingError: it is in service.
    """
    kept = laboratory.found(Damage, _ident(order.bench, order.geometry, order.serial))
    if kept is None or not kept.record.because:
        raise SettingError(f"{order.geometry} of {order.bench} is in service", key="geometry")
    laboratory.change(changed(kept, Damage(id=kept.record.id), "geometry_back"), because=order.because)
    return {"bench": order.bench, "geometry": order.geometry}


def _ident(bench: str, geometry: str, serial: str) -> str:
    return serial or f"{bench} {geometry}"


ACTS: Final = (Act("geometry_back", PutBack, "review", put_back),)
