"""Stored runs, results and readings for a notebook or a script; nothing is changed.

The database is read beside a daemon that writes it.  A copy made with ``daq backup`` is read the same way.
"""

import argparse
import time
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

from daq.adapters.paths import database_path
from daq.adapters.store.agreement.one_run import disagreements_of_run
from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.reading import Reader
from daq.app.cli.common import chosen_state, refuse_foreign
from daq.app.laboratory.named_runs import find_run
from daq.app.records import readings as computed
from daq.app.records.history import raw_journal
from daq.app.records.replaying import maker
from daq.app.records.run_rows import Entry as Run
from daq.app.records.run_rows import entry
from daq.app.records.searching import RunSearch, search
from daq.app.screens.text import expanded_of, local_time, utc_iso
from daq.app.setup.drivers import Drivers
from daq.core.errors import SettingError, StoreError
from daq.process.moments import bound

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

__all__ = ["IncompleteWarning", "Readings", "Result", "Run", "State", "open_state", "to_pandas"]

FIXED: Final = frozenset({"time", "utc", "instrument", "state", "step", "faults", "repeat"})
"""Columns that every run has.  A signal of the same name has ``signal.`` before its name."""
MOST_EXAMINED: Final = 20_000
"""Greatest number of runs that one search of a notebook examines: 0.3 s of the processor."""


class IncompleteWarning(UserWarning):
    """A search examined its greatest number of runs and left out older ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """The newest result of a run; None for a value that does not exist.  Times are UTC, ISO 8601.

    Attributes:
        id, run: ids of the result and of its run.
        value, expanded: value and half of its interval, in `unit` (UCUM).
        data: the whole result, as the message has it.
    """

    id: str
    run: str
    created: str | None
    instrument: str
    sample: str
    product: str | None
    lot: str | None
    quantity: str | None
    value: float | None
    expanded: float | None
    unit: str | None
    quality: str | None
    validity: str | None
    verdict: str | None
    corrected: bool
    data: dict[str, Any] = field(repr=False)


@dataclass(frozen=True, slots=True)
class Readings:
    """The readings of a run in columns of equal length, in the order in which they came.

    Attributes:
        run: id of the run.
        columns: array by name: ``time`` (seconds since the start of the run), ``utc`` (datetime64, ns; NaT where not
            known), ``instrument``, ``state``, ``step``, each signal (NaN without a value), ``faults``, ``repeat``.
        units: UCUM code by name of a column; signals and time have one.
    """

    run: str
    columns: "Mapping[str, npt.NDArray[Any]]"
    units: Mapping[str, str]

    def __getitem__(self, name: str) -> "npt.NDArray[Any]":
        return self.columns[name]

    def __len__(self) -> int:
        return len(self.columns["time"])

    def to_pandas(self) -> Any:
        """Return the columns as a pandas DataFrame; its `attrs` have run and units.

        Raises:
            SettingError: pandas is not installed.
        """
        frame = _pandas().DataFrame(dict(self.columns))
        frame.attrs |= {"run": self.run, "units": dict(self.units)}
        return frame


class State:
    """An open state directory or copy of a database; `open_state` makes it.

    Conditions are keywords: sample, product, lot, operator, instrument, outcome, verdict, since, until.  Times are
    typed as for ``daq runs``: ``"2026-11-26"`` or ``"2026-11-26T14:20"``.  A method raises `SettingError` for a wrong
    condition and `StoreError` where the database cannot be read.
    """

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self._reader.close()

    def runs(self, *, limit: int = 100, **conditions: str) -> list[Run]:
        """Return at most `limit` (-1: all) runs that satisfy all conditions, newest first."""
        asked = _search(conditions)
        found = search(self._reader, asked, limit=limit, most=MOST_EXAMINED)
        if found.reached_utc_ns is not None:
            say = (
                f"{found.examined} runs were examined, back to {local_time(found.reached_utc_ns)}; older ones were not"
            )
            warnings.warn(say, IncompleteWarning, stacklevel=2)
        return [entry(self._reader, record) for record in found.runs]

    def results(self, *, limit: int = 100, **conditions: str) -> list[Result]:
        """Return the newest result of each of the runs that `runs` returns; a run without a result has none here."""
        found = (self._result(run) for run in self.runs(limit=limit, **conditions))
        return [result for result in found if result is not None]

    def readings(self, run: str, *, anyway: bool = False) -> Readings:
        """Return the readings of a run, computed from its journal as ``daq export`` does.

        Args:
            run: id of the run, a beginning of it that no other has, or ``last``.
            anyway: return them although the stored data do not agree, or the journal is damaged; then only the readings
                before the damage.

        Raises:
            SettingError: there is no such run, or a driver of it is not installed.
            StoreError: the stored data do not agree with the audit trail, or the journal is damaged.
        """
        record = find_run(self._reader, run)
        faults = [d.text for d in disagreements_of_run(self._reader.path, record.id)]
        raw, damage = raw_journal(self._reader, record.id)
        faults += [damage] if damage else []
        if faults and not anyway:
            raise StoreError(f"run {record.id}: {faults[0]}; anyway=True returns the readings that can be read")
        found = computed.Readings(raw, maker(Drivers.find()))
        return Readings(record.id, _columns(found), {"time": "s"} | {_named(n): u for n, u in found.units.items()})

    def _result(self, run: Run) -> Result | None:
        newest = self._reader.newest_result(run.run)
        if newest is None:
            return None
        data: dict[str, Any] = values_of(newest)
        return Result(
            id=newest.id,
            run=run.run,
            created=utc_iso(newest.created_utc_ns),
            instrument=run.instrument,
            sample=run.sample,
            product=run.product,
            lot=run.lot,
            quantity=data.get("quantity"),
            value=data.get("value"),
            expanded=expanded_of(data),
            unit=data.get("unit"),
            quality=data.get("quality"),
            validity=data.get("validity"),
            verdict=(data.get("verdict") or {}).get("verdict"),
            corrected=newest.supersedes is not None,
            data=data,
        )


def open_state(path: str | Path | None = None) -> State:
    """Open a state directory, or a copy of its database, for reading.

    Args:
        path: the directory or the copy; None: the directory that the commands use.

    Raises:
        SettingError: the database belongs to another login.
        StoreError: there is no database, or a newer daq wrote it; the text names its format.
    """
    state = chosen_state(argparse.Namespace(config=None, state=None)) if path is None else Path(path).expanduser()
    if state.is_file():
        return State(Reader(state))
    refuse_foreign(state)
    return State(Reader(database_path(state)))


def to_pandas(rows: Sequence[Run] | Sequence[Result]) -> Any:
    """Return runs or results as a pandas DataFrame, one row each.

    Raises:
        SettingError: pandas is not installed.
    """
    return _pandas().DataFrame([asdict(row) for row in rows])


def _pandas() -> Any:
    try:
        import pandas as pd
    except ImportError as error:
        raise SettingError("pandas is not installed; `pip install pandas`, or use the rows and arrays") from error
    return pd


def _search(conditions: Mapping[str, str]) -> RunSearch:
    given = dict(conditions)
    now = time.time_ns()
    since, until = (bound(given.pop(key, ""), now, key, end=key == "until") for key in ("since", "until"))
    known = RunSearch.__dataclass_fields__.keys() - {"since_utc_ns", "until_utc_ns"}
    for name, value in given.items():
        if name not in known:
            raise SettingError(f"is no condition; conditions are {', '.join(sorted(known))}, since, until", key=name)
        if not isinstance(value, str) or not value:
            raise SettingError(f"{value!r} is no text", key=name)
    return RunSearch(**given, since_utc_ns=since, until_utc_ns=until)


def _columns(readings: "computed.Readings") -> "dict[str, npt.NDArray[Any]]":
    import numpy as np

    rows = list(readings)
    empty = np.datetime64("NaT", "ns")
    utc = [np.datetime64(r.utc_ns, "ns") if r.utc_ns else empty for r in rows]
    columns: dict[str, npt.NDArray[Any]] = {
        "time": np.array([r.begin_s for r in rows], dtype=np.float64),
        "utc": np.array(utc, dtype="datetime64[ns]"),
        "instrument": np.array([r.link for r in rows], dtype=object),
        "state": np.array([r.state for r in rows], dtype=object),
        "step": np.array([r.step for r in rows], dtype=object),
    }
    for name in readings.units:
        columns[_named(name)] = _signal([r.values.get(name) for r in rows])  # noqa: PD011 - of a reading
    columns["faults"] = np.array(["; ".join(r.faults) for r in rows], dtype=object)
    columns["repeat"] = np.array([r.repeat for r in rows], dtype=bool)
    return columns


def _named(signal: str) -> str:
    return f"signal.{signal}" if signal in FIXED else signal


def _signal(values: Sequence[float | None]) -> "npt.NDArray[np.float64]":
    import numpy as np

    return np.array([np.nan if v is None else v for v in values], dtype=np.float64)
