"""The start of a run together with the configuration that it used, and the change of a fitted geometry.

Both check in their transaction that the other did not come first.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, change_record
from daq.adapters.store.transactions import BeginRun
from daq.core.errors import SettingError, coded

FITTED: Final = "fitted"
"""Kind of the records of fitted measuring geometries; the id is the instrument's name."""


EQUIPMENT: Final = "equipment"
"""Kind of the records of equipment."""
SAMPLE: Final = "sample"
"""Kind of the records of samples."""
# CROSS JOIN keeps the order of the tables: by its own choice SQLite reads all records of the kind.
REVISIONS: Final = (
    "SELECT count(*) FROM record_keys AS k CROSS JOIN records AS r ON r.kind = k.kind AND r.id = k.id "
    "WHERE k.kind = ? AND k.name = ? AND k.value = ?"
)
"""Counts the revisions of all records of a kind that have a key."""
EARLIER: Final = (
    # A run with a declaration was there when the order was completed, or belongs to another sample now.
    "SELECT id FROM runs WHERE sample = ?1 AND (instrument = ?2 OR method_id = ?3) "
    "AND NOT EXISTS (SELECT 1 FROM records WHERE kind = 'declaration' AND id = runs.id) LIMIT 1"
)
"""Finds a run of a sample that may have used the filling of a further one (`daq.app.laboratory.ordering`)."""
TAKEN: Final = (
    "SELECT 1 FROM runs WHERE sample = ?1 AND method_id = ?2 AND replicate = ?3 "
    "UNION ALL SELECT 1 FROM record_keys AS k CROSS JOIN runs AS r ON r.id = k.id "
    "WHERE k.kind = 'declaration' AND k.name = 'sample' AND k.value = ?1 AND r.method_id = ?2 AND r.replicate = ?3 "
    "LIMIT 1"
)
"""Finds a run of a sample (?1) by a method (id, ?2), started for it or declared to be of it, with a number (?3)."""


@dataclass(frozen=True, slots=True)
class FixedText:
    """A record that is written once, with the error for another content under the same id ("": none is possible)."""

    change: Change
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class BeginConfigured(Transaction[int]):
    """Store the start of a run with its configuration, and return its number among the runs of its sample.

    Attributes:
        begin: the run.
        fitted: number of the revision of each instrument's record `fitted` that the plan was made from; 0: none.
        fixed: records that never change; those that exist already are compared.
        configuration: the run's own record.
        equipment: key and value of the records of equipment that were asked, with the number of their revisions.
        sample_seen: number of the revision of the sample from which the run was made; 0: it is not registered; None: it
            is not compared.
        first_fill: the order left the filling open, because the sample had no earlier run on this instrument or by this
            method; the start is refused where one was started meanwhile.
        numbered: the run has a number among those of its sample.  A verification or control has none: its fluid is
            measured again and again, so a number that its order states is refused by nothing.
        beside: further new records of the run, such as its checklist.
        before: what is stored before the run, such as the change that opens its sample again; None: nothing.

    Raises:
        SettingError: another geometry was fitted, or a record of the equipment or the sample was changed meanwhile, a
            fixed text is stored with another content, or another run of the sample has the stated number.
        ChangedMeanwhileError: what `before` was made from was changed meanwhile.
        StorageError: too little disk space is left for the run to end.
    """

    kind: ClassVar[str] = "begin_run"
    begin: BeginRun
    fitted: tuple[tuple[str, int], ...]
    fixed: tuple[FixedText, ...]
    configuration: Change
    equipment: tuple[tuple[str, str, int], ...] = ()
    sample_seen: int | None = None
    first_fill: bool = False
    numbered: bool = True
    beside: tuple[Change, ...] = ()
    before: Transaction[None] | None = None

    def apply(self, access: Access) -> int:
        """Compare and store; the caller begins and commits."""
        for name, revision in self.fitted:
            if newest(access, FITTED, name)[0] != revision:
                error = (
                    f"another measuring geometry was fitted to {name} while the run was being started; start it again"
                )
                raise coded(SettingError(error), "fitted_meanwhile", instrument=name)
        for name, value, known in self.equipment:
            found = access.one("equipment", REVISIONS, (EQUIPMENT, name, value))
            if found is not None and found[0] != known:
                error = f"the record of {value} was changed while the run was being started; start it again"
                raise coded(SettingError(error), "record_changed", serial=value)
        sample = self.begin.run.sample
        if self.sample_seen is not None and newest(access, SAMPLE, sample)[0] != self.sample_seen:
            error = f"sample {sample!r} was changed while the run was being started; look at it (daq sample show), "
            error += "then start the run again"
            raise coded(SettingError(error, key="sample"), "sample_changed", sample=sample)
        if self.first_fill:
            self._refuse_unstated_fill(access)
        self._refuse_taken_number(access)
        if self.before is not None:
            self.before.apply(access)
        number = self.begin.apply(access)
        who, utc_ns = self.begin.who or self.begin.run.operator, self.begin.run.began_utc_ns
        for each in self.fixed:
            revision, data = newest(access, each.change.kind, each.change.id)
            if not revision:
                change_record(access, each.change, utc_ns, who)
            elif each.refusal and json.loads(data) != each.change.data:
                raise SettingError(each.refusal)
        for change in (self.configuration, *self.beside):
            change_record(access, change, utc_ns, who)
        return number

    def _refuse_taken_number(self, access: Access) -> None:
        """Refuse a stated number that a run of the sample has: lists would show two runs as one."""
        run = self.begin.run
        # An order without a number has 1; so has a verification.
        if not self.numbered or self.begin.counted or run.replicate == 1:
            return
        if access.one("taken", TAKEN, (run.sample, run.method_id, run.replicate)) is not None:
            error = f"sample {run.sample!r} has a run with the number {run.replicate} already; leave --replicate out, "
            error += "and the run gets the next number"
            refused = SettingError(error, key="replicate")
            raise coded(refused, "number_taken", sample=run.sample, number=str(run.replicate))

    def _refuse_unstated_fill(self, access: Access) -> None:
        """Refuse the run where another one of its sample may have used its filling: two such are no replicates."""
        run = self.begin.run
        found = access.one("earlier", EARLIER, (run.sample, run.instrument, run.method_id))
        if found is not None:
            error = f"another run of sample {run.sample!r} ({found[0][:8]}) was started meanwhile; start again and say "
            error += "which filling it is (--same-fill, --fresh-fill)"
            raise coded(SettingError(error, key="fill"), "filling_not_stated", sample=run.sample)


@dataclass(frozen=True, slots=True)
class Fit(Transaction[int]):
    """Store that a measuring geometry is fitted, and return the number of the audit entry.

    Raises:
        SettingError: the instrument is in a run that has not ended.
        ChangedMeanwhileError: another change of the record came first.
    """

    kind: ClassVar[str] = "fit"
    change: Change
    utc_ns: int
    who: str

    def apply(self, access: Access) -> int:
        """Store the change; the caller begins and commits."""
        refuse_in_run(access, self.change.id)
        return change_record(access, self.change, self.utc_ns, self.who)


def refuse_in_run(access: Access, instrument: str) -> None:
    """Raise `SettingError` if an instrument leads a run that has not ended, or is a companion in one."""
    running = access.one(
        "in_run",
        "SELECT sample FROM runs INDEXED BY runs_unfinished WHERE state <> 'ended' AND (instrument = ?1 OR EXISTS "
        "(SELECT 1 FROM json_each(companions) WHERE value = ?1))",
        (instrument,),
    )
    if running is not None:
        raise SettingError(
            f"{instrument} is in a run (sample {running[0]}); wait until it has ended (the next start of a daemon "
            "that was killed ends its runs)"
        )


def newest(access: Access, kind: str, ident: str) -> tuple[int, str]:
    """Return number and data of the newest revision of a record within a transaction; (0, "") where there is none."""
    found = access.one(
        "newest",
        "SELECT revision, data FROM records WHERE kind = ? AND id = ? ORDER BY revision DESC LIMIT 1",
        (kind, ident),
    )
    return (0, "") if found is None else (int(found[0]), str(found[1]))


def revisions_of_equipment(reader: Reader, name: str, value: str) -> int:
    """Return the number of revisions of all records of equipment whose key `name` has the value `value`."""
    return int(reader.query(REVISIONS, [EQUIPMENT, name, value])[0]["count(*)"])


def fixed_texts(texts: Iterable[Change]) -> tuple[FixedText, ...]:
    """Return records whose id is the digest of their content, each once."""
    return tuple(FixedText(change) for change in {c.id: c for c in texts}.values())
