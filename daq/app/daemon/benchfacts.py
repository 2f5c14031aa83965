"""Facts of the bench for the status that consumers get: motors, runs that are not stored, a database put back."""

from collections.abc import Mapping
from typing import Any

from daq.adapters.clock import utc_text
from daq.adapters.store.epochs import EpochStart, last_epoch_start
from daq.adapters.store.store import Store
from daq.app.daemon.unfinished import UnfinishedRuns
from daq.app.records.equipment_state import all_records
from daq.app.run.active import Active
from daq.app.run.session import Session
from daq.app.setup.fitted import fits_of
from daq.core.errors import StoreError


class BenchFacts:
    """Facts of one bench.

    Attributes:
        unfinished: the runs that are not stored yet.
    """

    def __init__(
        self, store: Store, sessions: Mapping[str, Session], runs: Mapping[str, Active], unfinished: UnfinishedRuns
    ) -> None:
        self._store, self._sessions, self._runs = store, sessions, runs
        self.unfinished = unfinished
        self._epoch_start: EpochStart | None = None
        self._epoch_known = 0
        self._recorded: dict[str, Any] = {"fitted": {}, "out_of_service": {}}
        self._recorded_at = -1

    def facts(self) -> dict[str, Any]:
        """Return the facts as the status message states them."""
        found = self.epoch_start()
        return {
            "instruments": {name: session.standing.state for name, session in self._sessions.items()},
            "motors": self.motors(),
            **self.recorded(),
            "unfinished_runs": {run.run: run.instrument for run in self.unfinished.runs.values()},
            "put_back": None
            if found is None
            else {"epoch": found.epoch, "time": utc_text(found.utc_ns), "reason": found.reason},
        }

    def motors(self) -> dict[str, str]:
        """Return the state of each motor by instrument; instruments without a motor are left out."""
        found = {}
        for name, session in self._sessions.items():
            if "halt" not in session.driver.capabilities:
                continue
            active = self._runs.get(name)
            found[name] = (session.motor if active is None else active.runner.pipeline.motor).value
        return found

    def recorded(self) -> dict[str, Any]:
        """Return the fitted geometry of each served instrument, and the reasons of equipment that is out of service.

        They are read again when the store has handled anything since; while it cannot be read, the last ones stay.
        """
        handled = self._store.handled
        if handled != self._recorded_at:
            try:
                with self._store.reader() as reader:
                    fits, records = fits_of(reader, list(self._sessions)), all_records(reader)
            except (StoreError, ValueError):  # a record that was changed in the database; `daq verify` names it
                return self._recorded
            self._recorded_at = handled
            self._recorded = {
                "fitted": {
                    n: {"geometry": f.record.geometry, "serial": f.record.serial or None}
                    for n, f in fits.items()
                    if f.record.geometry
                },
                "out_of_service": {k.record.piece: k.record.out_of_service for k in records if k.record.out_of_service},
            }
        return self._recorded

    def epoch_start(self) -> EpochStart | None:
        """Return the start of the present epoch, if it began because the database was put back; None otherwise."""
        if self._epoch_known != self._store.epoch:
            try:
                with self._store.reader() as reader:
                    found = last_epoch_start(reader)
            except StoreError:
                return self._epoch_start
            self._epoch_known = self._store.epoch
            self._epoch_start = found if found is not None and found.epoch == self._store.epoch else None
        return self._epoch_start
