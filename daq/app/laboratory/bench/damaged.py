"""Take a damaged measuring geometry out of service, and refuse runs with it.  The one place that decides this."""

from daq.adapters.store.reading import Reader
from daq.app.laboratory.laboratory import Laboratory, changed, find, new
from daq.core.errors import SettingError
from daq.laboratory.bench.damage import Damage


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
    return f"{geometry}{number} is damaged: {kept.record.because}; fit another one: daq fit {bench} GEOMETRY"


def refuse_damaged(reader: Reader, bench: str, geometry: str, serial: str) -> None:
    """Raise `SettingError` if a measuring geometry is out of service."""
    if words := out_of_service(reader, bench, geometry, serial):
        raise SettingError(words, key="instrument")


def _ident(bench: str, geometry: str, serial: str) -> str:
    return serial or f"{bench} {geometry}"
