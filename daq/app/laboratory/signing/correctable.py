"""A run that can be corrected, annulled or doubted, and the way of its new result into the store."""

from collections.abc import Callable, Container
from dataclasses import dataclass, replace
from typing import Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.store.agreement.one_run import disagreements_of_run
from daq.adapters.store.audit import source_uri
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.forms.result_values import whole_values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangedMeanwhileError
from daq.adapters.store.rows import ResultRecord, RunRecord
from daq.app.delivery.record_messages import Numbered
from daq.app.laboratory.laboratory import Laboratory, changed, find, new
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.signing.suspending import suspending
from daq.app.laboratory.signing.withdrawing import Withdrawn, withdrawn_by_result
from daq.app.records.history import plan_of
from daq.app.run.result_messages import ResultMessages
from daq.app.run.superseding import More, Superseding, new_result_id
from daq.core.errors import SettingError, coded
from daq.core.faults import ANNULLED
from daq.laboratory.declarations import Declaration

EVERY: Final = frozenset(
    {"audit", "runs", "results", "outbox", "journal", "kept", "health", "methods", "records", "record_keys"}
)
"""Tables whose rows about a run must agree with the audit trail before it is corrected."""
TRIES: Final = 5
"""Number of times that storing is tried where certificates or signatures are stored at the same moment."""


@dataclass(frozen=True, slots=True)
class Correctable:
    """A run that can be corrected: as declared now and at its start, with its newest result and declaration."""

    record: RunRecord
    started: RunRecord
    newest: ResultRecord
    last_sequence: int
    stored: Any
    """The newest declaration with its revision, None before the first correction."""

    def declared(self) -> Declaration:
        """Return the declaration in force."""
        if self.stored is not None:
            found: Declaration = self.stored.record
            return found
        r, plan = self.record, plan_of(self.record)
        context = None if plan is None else plan.context
        return Declaration(
            id=r.id,
            result=self.newest.id,
            supersedes=self.newest.id,
            sample=r.sample,
            product=r.product,
            lot=r.lot,
            sampled_at=r.sampled_at,
            operator=r.operator,
            geometry="" if context is None else context.geometry_name or "",
            fluid="" if context is None or context.fluid is None else context.fluid.id,
        )

    def change(self, declaration: Declaration, what: str) -> Any:
        """Return the change that stores a declaration."""
        return new(declaration, what) if self.stored is None else changed(self.stored, declaration, what)

    def superseding(
        self, laboratory: Laboratory, record: RunRecord, because: str, not_authorised: tuple[str, ...] = ()
    ) -> Superseding:
        """Return the maker of the new result."""
        store, utc_ns = laboratory.store, laboratory.clock.utc_ns()
        return Superseding(
            record=record,
            old=self.newest,
            old_source=source_uri(store.uuid, self.newest.epoch),
            last_sequence=self.last_sequence,
            who=laboratory.who,
            because=because,
            utc_ns=utc_ns,
            result_id=new_result_id(),
            messages=ResultMessages(
                record.instrument, lambda: store.source, laboratory.topics, with_flat=laboratory.with_flat
            ),
            follow=suspending(laboratory.topics, record.instrument, utc_ns, laboratory.who, because),
            not_authorised=not_authorised,
        )


def store_new_result(
    laboratory: Laboratory,
    before: Correctable,
    now: RunRecord,
    superseding: Superseding,
    step: Callable[[Superseding, tuple[Change, ...]], Correct],
) -> Withdrawn:
    """Store a new result of a run, and return the certificates and signatures that it withdraws.

    A certificate or signature that is stored at the same moment is withdrawn too: the transaction is made again.

    Args:
        laboratory: the records.
        before: the run before.
        now: the run as declared now.
        superseding: the maker of the result.
        step: returns its transaction with the changes of a withdrawal.

    Raises:
        StoreError: another correction came first, or the store cannot write.
    """
    for tries_left in reversed(range(TRIES)):
        with laboratory.reader() as reader:
            gone = withdrawn_by_result(
                reader,
                before.record,
                now,
                instrument=before.newest.stream,
                who=laboratory.who,
                because=superseding.because,
                utc_ns=superseding.utc_ns,
            )
        ready = replace(superseding, more=_messages(laboratory, before, gone), seen=gone.seen)
        try:
            laboratory.store.submit(step(ready, gone.changes)).result()
        except ChangedMeanwhileError:
            if not tries_left:
                raise
        else:
            return gone
    raise AssertionError


def _messages(laboratory: Laboratory, before: Correctable, gone: Withdrawn) -> More:
    """Return the maker of the messages of a withdrawal, which have the number of the new result."""
    source, stream, time = laboratory.store.source, before.newest.stream, utc_text(laboratory.clock.utc_ns())
    return lambda sequence: gone.signatures.messages(laboratory.topics, Numbered(source, stream, sequence), time)


def correctable(laboratory: Laboratory, run: str, seen: str, tables: Container[str] = EVERY) -> Correctable:
    """Return a run that can be corrected, or annulled where only `tables` must agree with the audit trail.

    Raises:
        SettingError: there is no such run, it has not ended, it is annulled, or `seen` is not its newest result.
        StoreError: its stored data do not agree with the audit trail.
    """
    with laboratory.reader() as reader:
        record = find_run(reader, run)
        run = record.id
        started = reader.run_as_started(run) or record
        newest = reader.newest_result(run)
        if record.state != "ended" or newest is None:
            raise coded(
                SettingError(f"run {run} has not ended; correct or annul it after its end"), "run_not_ended", run=run
            )
        if seen and seen != newest.id:
            raise coded(
                SettingError(f"result {seen} is not the newest of run {run}: look at {newest.id}, then repeat"),
                "result_not_newest",
                run=run,
                newest=newest.id,
            )
        whole_values_of(newest)  # a damaged result is named by its field
        _refuse_disagreements(reader, run, tables)
        stored = find(reader, Declaration, run)
        if stored is not None and stored.record.state == ANNULLED:
            raise coded(SettingError(f"run {run} is annulled; measure again"), "run_annulled", run=run)
        return Correctable(record, started, newest, _last_sequence(reader, newest), stored)


def _refuse_disagreements(reader: Reader, run: str, tables: Container[str]) -> None:
    found = [d for d in disagreements_of_run(reader.path, run) if d.table in tables]
    if found:
        error = SettingError(
            f"run {run} stays as it is, because stored data do not agree with the audit trail: {found[0].text}; "
            "`daq verify` lists all"
        )
        raise coded(
            error,
            "records_disagree",
            what="run",
            name=run,
        )


def _last_sequence(reader: Reader, newest: ResultRecord) -> int:
    """Return the number of the last result of a stream if its run was the last one of its instrument, otherwise -1."""
    last = reader.last_result(newest.stream)
    found = reader.result_rows("stream = ? ORDER BY audit_seq DESC", [newest.stream], 1)
    return found[0].sequence if last is not None and last.run == newest.run and found else -1
