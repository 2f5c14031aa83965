"""The runs that go on now: the check and the start of a new run, its end, and the stop of all runs at a shutdown."""

import asyncio
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Final

from daq.adapters.clock import Clock
from daq.adapters.store.declaring.publishing import PublishRecords
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, newest_revision
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun, SeeInstrument
from daq.app.daemon.instrument_sessions import InstrumentSessions
from daq.app.daemon.post_run import PostRunTasks
from daq.app.daemon.reloading import Reloading
from daq.app.daemon.unfinished import UnfinishedRuns
from daq.app.laboratory.identity import operator_of
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.log_ins import LogIns, Tickets
from daq.app.laboratory.ordering import completed
from daq.app.records.checks.instrument_history import instrument_history
from daq.app.records.equipment_state import equipment_of_run
from daq.app.records.pieces import pieces_of_run
from daq.app.run.active import Active
from daq.app.run.fills import check_fill
from daq.app.run.results import ResultMaker
from daq.app.run.runner import Runner, RunOutcome
from daq.app.run.view import run_view
from daq.app.screens.run_view import RunView
from daq.app.setup.catalogue import Catalogue, parts
from daq.app.setup.fitted import Fit, conflicts_at_start, fits_of, with_fits
from daq.app.setup.orders import names_of, prepare
from daq.app.setup.run_order import RunOrder, with_past_moment
from daq.app.setup.used import begin_configured
from daq.core.driver import Identity
from daq.core.errors import DaqError, LinkError, SettingError, SettingErrors, coded
from daq.core.plan import Plan
from daq.laboratory.kinds import SAMPLE
from daq.methods.concluding.intervals import load
from daq.methods.planning.compile import InstrumentHistory
from daq.process.logins import own_login

SHUTDOWN: Final = "the daemon is shutting down"

#: Returns the records that are stored with the start of a run, for its id.
Beside = Callable[[str], tuple[Change, ...]]


def nothing_beside(_run: str) -> tuple[Change, ...]:
    """Return no records."""
    return ()


#: Returns what is stored before a run whose start opens its sample again, from the database and the time (UTC ns).
Opening = Callable[[Reader, int], PublishRecords]


class RunsInProgress:
    """Owns the runs that go on, at most one for each instrument.

    Attributes:
        active: the runs by the name of their lead instrument.
        outcomes: number of runs that ended since the start, by outcome.
    """

    def __init__(
        self,
        sessions: InstrumentSessions,
        store: Store,
        clock: Clock,
        unfinished: UnfinishedRuns,
        *,
        reloading: Reloading,
        post_run: PostRunTasks,
        maker: Callable[[RunRecord, Plan], ResultMaker],
        ended: Callable[[], None],
        hook: Callable[[str], None] | None = None,
    ) -> None:
        """Set up; no run goes on.

        Args:
            sessions: the instruments.
            store: the store of the runs.
            clock: the time.
            unfinished: takes the runs whose end cannot be stored.
            reloading: the configuration, whose changed files it takes up before each run.
            post_run: the tasks after the end of a run, and the computations of its conclusion.
            maker: returns the maker of a run's result.
            ended: called when a run has ended or was stored.
            hook: called with a name at points where tests end the process.
        """
        self.active: dict[str, Active] = {}
        self.outcomes: Counter[str] = Counter()
        self._beginning: set[str] = set()
        self._claimed: Counter[str] = Counter()
        self._closing = False
        self._sessions, self._store, self._clock = sessions, store, clock
        self._configured = reloading.configured
        self._unfinished, self._reloading, self._post_run = unfinished, reloading, post_run
        self._maker, self._ended, self._hook = maker, ended, hook
        self._log_ins, self._tickets = LogIns(), Tickets()

    # ---- the start of a run

    async def begin(
        self, order: RunOrder, login: str = "", *, beside: Beside = nothing_beside, opening: Opening | None = None
    ) -> Active:
        """Check an order of `login` ("": the login of this process), store the start of the run, and start it.

        `beside` returns, for the id of the run, records that are stored with its start or not at all.
        With `opening` the sample may be done: the start of the run opens it again, or nothing is changed.

        Raises:
            SettingError: the order cannot be run: unknown names, method and instrument do not fit, motion not enabled;
                or the sample was changed meanwhile.
            NotAllowedError: the sample is done, and this person must not open it again.
            NotComparableError: the result could not be comparable with the product's limits.
            LinkError: an instrument is not connected or busy.
            StoreError: the store takes no new run.
        """
        # The record of the sample states its time with the offset, so that of the order is compared in the same form.
        dated = with_past_moment(order, self._clock.utc_ns())
        order, sample_seen = await self._completed(dated, reopens=opening is not None)
        # Nothing is awaited until the instruments are claimed: no change of a file comes in between.
        name = order.instrument
        if name in self.active:
            sample = self.active[name].record.sample
            error = LinkError(f"{name} is in a run already (sample {sample})")
            raise coded(error, "bench_in_run", bench=name, sample=sample)
        if name in self._beginning:
            raise coded(LinkError(f"another run is being started on {name}"), "bench_starts_run", bench=name)
        self._beginning.add(name)
        try:
            return await self._begin(order, sample_seen, login or own_login(), beside, opening)
        finally:
            self._beginning.discard(name)

    def busy(self) -> set[str]:
        """Return the names of the instruments that are in a run or about to start one."""
        return {n for a in self.active.values() for n in a.runner.pipeline.links} | {
            n for n, count in self._claimed.items() if count
        }

    async def _begin(
        self, order: RunOrder, sample_seen: int, login: str, beside: Beside, opening: Opening | None
    ) -> Active:
        catalogue = self._configured.catalogue
        try:
            names = names_of(order, catalogue)
        except SettingError as error:
            raise SettingErrors([error, *self._configured.errors]) from error
        self._configured.refuse_changed(order, names)
        self._claimed.update(names)
        try:
            return await self._start(order, sample_seen, login, catalogue, names, beside, opening)
        finally:
            self._claimed.subtract(names)

    async def _start(
        self,
        order: RunOrder,
        sample_seen: int,
        login: str,
        files: Catalogue,
        names: list[str],
        beside: Beside,
        opening: Opening | None,
    ) -> Active:
        """Start a run with the configuration `files`; arguments and errors as in `begin`.

        `sample_seen` is the revision of the sample from which the order was completed.
        """
        operator = await asyncio.to_thread(operator_of, self.laboratory(login), order)
        for name in names:
            await self._ready(name)
        await self._unfinished.before_run(order.instrument)
        sessions = self._sessions.by_name
        if sessions[order.instrument].standing.motor:
            failed = LinkError(f"{order.instrument}: the motor may still be turning; see to it first")
            raise coded(failed, "motor_may_turn", bench=order.instrument)
        identities = {name: sessions[name].standing.identity for name in names}
        # Import numpy before the motor turns: an import at the end of the run would delay the check of its stop.
        await asyncio.to_thread(load)
        catalogue, fits, history, equipment = await asyncio.to_thread(self._history, order, files, names, identities)
        began_mono_ns, began_utc_ns = self._clock.mono_ns(), self._clock.utc_ns()
        run = prepare(
            order,
            catalogue,
            identities,
            {name: sessions[name].driver.state() for name in names},
            history,
            began_utc_ns,
            operator,
        )
        await self._store.commit(run.register)
        opened = None if opening is None else await asyncio.to_thread(self._opened, opening, began_utc_ns)
        self._refuse_while_closing()
        # A check has no number of its own: its fluid is measured again and again.
        is_check = files.method(order.method_id, order.method_version).is_check
        begin = BeginRun(
            run.record, login, tuple(r.text for r in run.anyway), counted=order.replicate == 1 and not is_check
        )
        configured = begin_configured(begin, catalogue, run.used, fits, equipment)
        first_fill = not (order.fill or order.filling or is_check)
        number = await self._store.commit(
            replace(
                configured,
                sample_seen=sample_seen,
                first_fill=first_fill,
                numbered=not is_check,
                beside=beside(run.record.id),
                before=opened,
            )
        )
        run = replace(run, record=replace(run.record, replicate=number))
        maker = self._maker(run.record, run.plan)
        runner = Runner(
            run,
            {name: sessions[name] for name in names},
            self._store,
            self._clock,
            maker.conclude,
            compute=self._post_run.computations.conclusion_of(run.plan),
            began_mono_ns=began_mono_ns,
            changed=lambda: self._run_changed(order.instrument),
            hook=self._hook,
        )
        task = asyncio.create_task(self._run(order.instrument, runner))
        active = Active(run.record, runner, task, maker, warnings=run.shown())
        self.active[order.instrument] = active
        return active

    def _opened(self, opening: Opening, utc_ns: int) -> PublishRecords:
        with self._store.reader() as reader:
            return opening(reader, utc_ns)

    async def _completed(self, order: RunOrder, *, reopens: bool) -> tuple[RunOrder, int]:
        """Return an order completed from its sample and its product, as the files have them now.

        The number is the revision of the sample (0: it is not registered), which the start of the run compares.
        """
        while True:
            await self._reloading.refresh()
            files = self._configured.catalogue
            try:
                done = await asyncio.to_thread(self._completed_from, files, order, reopens=reopens)
            except SettingError as error:
                if not self._configured.errors:
                    raise
                raise SettingErrors([*parts(error), *self._configured.errors]) from error
            # Another run may have compared the files meanwhile; its order must not be completed from older ones.
            if self._configured.catalogue is files:
                return done

    def _completed_from(self, files: Catalogue, order: RunOrder, *, reopens: bool) -> tuple[RunOrder, int]:
        with self._store.reader() as reader:
            # It is read first: a change while the order is completed is then found by the start of the run.
            kept = newest_revision(reader, SAMPLE, order.sample)
            done = completed(order, files, reader, tuple(self._sessions.by_name), reopens=reopens)
            return done, 0 if kept is None else kept.revision

    def laboratory(self, login: str) -> Laboratory:
        """Return the records of the laboratory for one login, with log-ins and failed log-ins of this process."""
        return Laboratory(
            self._store, self._configured.catalogue, self._clock, login, self._log_ins, tickets=self._tickets
        )

    def _history(
        self, order: RunOrder, files: Catalogue, names: list[str], identities: Mapping[str, Identity | None]
    ) -> tuple[Catalogue, dict[str, Fit], InstrumentHistory, tuple[tuple[str, str, int], ...]]:
        """Return configuration with fitted geometries, these, the stored history, and numbers of records of equipment.

        Raises:
            SettingErrors: a file names another geometry than the recorded one, or equipment is out of service.
            SettingError: the fill was sheared.
        """
        with self._store.reader() as reader:
            check_fill(reader, order.fill, files.method(order.method_id, order.method_version))
            fits = fits_of(reader, names)
            if errors := conflicts_at_start(files, names, fits):
                raise SettingErrors(errors)
            catalogue = with_fits(files, fits)
            now = self._clock.utc_ns()
            equipment = equipment_of_run(reader, pieces_of_run(catalogue, names, identities), now)
            history = instrument_history(reader, catalogue, order, identities[order.instrument], now)
            history = replace(history, overdue=equipment.overdue, cautions=equipment.cautions)
            return catalogue, fits, history, equipment.changes

    async def _ready(self, name: str) -> None:
        standing = (await self._sessions.settled(name, self._refuse_while_closing)).standing
        for lead, active in self.active.items():
            if name in active.runner.pipeline.links:
                sample = active.record.sample
                busy = LinkError(f"{name} is in the run on {lead} (sample {sample}); wait until it has ended")
                raise coded(busy, "instrument_in_run", instrument=name, bench=lead, sample=sample)
        if standing.state != "ready":
            failed = LinkError(f"{name} is not ready: {standing.state}. {standing.detail}".rstrip(". "))
            raise coded(failed, "instrument_not_ready", instrument=name, link=standing.state.value)
        if standing.identity is not None:
            seen = SeeInstrument(name, standing.identity.kind, standing.identity.serial, self._clock.utc_ns())
            await self._store.commit(seen)

    def _refuse_while_closing(self) -> None:
        if self._closing:
            raise coded(DaqError(SHUTDOWN), "daemon_ends")

    # ---- a run until its end

    async def _run(self, name: str, runner: Runner) -> RunOutcome:
        try:
            outcome = await runner.run()
            self.outcomes[outcome.outcome] += 1
            if not outcome.fault:
                self._start_post_run(name, runner)
            else:
                error = DaqError(outcome.fault)
                self._unfinished.add(runner.run_id, name, error, partial(self._settle_again, name, runner))
            return outcome
        finally:
            active = self.active.pop(name, None)
            if active is not None:
                for event in active.subscribers:
                    event.set()
            if self._configured.waiting and not self._closing:
                self._post_run.tasks.start(self._reloading.refresh(), "configuration", ends=True)
            self._ended()

    def _start_post_run(self, name: str, runner: Runner) -> None:
        self._post_run.start(runner.run_id, name, curve=runner.pipeline.plan.context.flow_curve is not None)

    async def _settle_again(self, name: str, runner: Runner) -> None:
        """Store a run that ended in this process.

        A recovery after a restart could not do as well: it knows only the part of the journal that was stored.
        """
        await runner.settle()
        self._start_post_run(name, runner)
        self._ended()

    def _run_changed(self, name: str) -> None:
        active = self.active.get(name)
        if active is not None:
            for event in active.subscribers:
                event.set()

    def view(self, active: Active, before: RunView | None = None) -> RunView:
        """Return the present state of a run, for a screen; with `before` as in `run_view`."""
        runner, record = active.runner, active.record
        caution = self._configured.caution(record.product)
        now, advise = self._clock.mono_ns(), active.maker.advise
        view = run_view(record, runner.pipeline, now, advise, active.digits, runner.notes, caution, before=before)
        return replace(view, configuration=tuple(str(e) for e in self._configured.errors))

    # ---- stops

    def stop(self, name: str, who: str) -> bool:
        """Stop the run on an instrument; return whether there was one.

        Raises:
            SettingError: this daemon does not serve the instrument.  The caller must learn that no motor was stopped.
        """
        self._sessions.refuse_unknown(name)
        active = self.active.get(name)
        if active is None:
            return False
        active.runner.stop(who)
        return True

    async def end_all(self) -> None:
        """Stop every run; wait until the state of its motor is known and its result is stored.  No new run starts."""
        self._closing = True
        while self.active or self._beginning:
            for active in self.active.values():
                active.runner.stop(SHUTDOWN)
            if self.active:
                await asyncio.wait([a.task for a in self.active.values()])
            else:
                await asyncio.sleep(0.02)
