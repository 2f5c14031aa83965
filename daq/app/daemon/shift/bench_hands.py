"""The daemon as the work at the benches uses it: readings, samples, and runs that start and stop."""

import asyncio
from collections.abc import Callable, Mapping
from typing import Final

import structlog

from daq.adapters.clock import Clock
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change
from daq.app.daemon.runs_in_progress import RunsInProgress
from daq.app.laboratory.bench.naming import named_sample
from daq.app.laboratory.bench_work import Actor
from daq.app.laboratory.equipment.serving import TakeOut as TakeOutOrder
from daq.app.laboratory.equipment.serving import taken_out
from daq.app.laboratory.laboratory import find
from daq.app.records.attempts import newest_started
from daq.app.records.checks.audited_checks import pair_of
from daq.app.records.checks.controls import control_of
from daq.app.records.equipment_state import out_of_service
from daq.app.records.pieces import pieces_in_use
from daq.app.run.current import newest_reading, read_at
from daq.app.run.session import Session
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import Fit, fit_of, with_fit
from daq.core.context import RequiredControl
from daq.core.driver import counts_for
from daq.core.linkstates import Motor
from daq.core.resting import STILL
from daq.laboratory.bench.bench_events import Begin, TakeOut
from daq.laboratory.bench.benchstate import BenchState, NamedSample
from daq.laboratory.bench.checklists import Age, Facts
from daq.laboratory.bench.repeatcause import RepeatCause
from daq.methods.files.instrument import Instrument

log = structlog.get_logger()

TORQUE: Final = "torque"
SPEED: Final = "speed"


class BenchHands:
    """Facts and acts for `BenchFlows`; called in threads."""

    def __init__(
        self,
        sessions: Mapping[str, Session],
        in_progress: RunsInProgress,
        catalogue: Callable[[], Catalogue],
        clock: Clock,
        begin: Callable[[str, Begin, Actor], None],
    ) -> None:
        """`begin` starts a run in the background; it is called in the event loop of this constructor's caller."""
        self._sessions, self._in_progress, self._clock = sessions, in_progress, clock
        self._catalogue, self._begin = catalogue, begin
        self._loop = asyncio.get_running_loop()

    def facts(self, reader: Reader, state: BenchState) -> Facts:
        """Return the facts about a bench."""
        instrument = self._catalogue().instruments.get(state.id)
        fit = fit_of(reader, state.id)
        session, active = self._sessions.get(state.id), self._in_progress.active.get(state.id)
        values = {} if session is None else newest_reading(state.id, session, self._in_progress.active)[0]
        newest = newest_started(reader, state.id)
        cause = None if state.outcome is None else find(reader, RepeatCause, state.outcome.run)
        has_rotor = instrument is not None and bool(instrument.geometries)
        geometry, serial = ("", "") if fit is None else (fit.record.geometry, fit.record.serial)
        control = None if instrument is None else self._control(reader, instrument, fit)
        return Facts(
            mono_ns=self._clock.mono_ns(),
            utc_ns=self._clock.utc_ns(),
            has_rotor=has_rotor,
            fitted=geometry,
            serial=serial,
            fitted_revision=0 if fit is None else fit.revision,
            out_of_service=self._out_of_service(reader, state, fit),
            motor_still=None if session is None else motor_still(session, values),
            torque=values.get(TORQUE) if has_rotor else None,
            zero_limit=instrument.health.zero if instrument is not None and has_rotor else None,
            torque_age=self._age(state.id),
            temperature=self._temperature(state, values),
            temperature_age=self._age(_companion(state) or state.id),
            active_run="" if active is None else active.record.id,
            newest_run="" if newest is None else newest.id,
            control="" if control is None else control.state,
            control_fluid="" if control is None else control.fluid,
            cause="" if cause is None else f"{cause.record.cause}: {cause.because}",
        )

    def _control(self, reader: Reader, instrument: Instrument, fit: Fit | None) -> RequiredControl | None:
        """Return the required control of the shift, for the instrument that is connected."""
        session = self._sessions.get(instrument.name)
        identity = None if session is None else session.standing.identity
        fitted = with_fit(instrument, fit)
        serial = fitted.expect_serial if identity is None else identity.serial
        return control_of(reader, fitted, pair_of(fitted, serial), self._clock.utc_ns())

    def _out_of_service(self, reader: Reader, state: BenchState, fit: Fit | None) -> str:
        """Return why the equipment of the bench, or of the companion that the method names, must not be used."""
        found = []
        for name in dict.fromkeys((state.id, _companion(state))):
            instrument = self._catalogue().instruments.get(name)
            if instrument is None:
                continue
            session = self._sessions.get(name)
            with_fitted = with_fit(instrument, fit if name == state.id else fit_of(reader, name))
            pieces = pieces_in_use(with_fitted, None if session is None else session.standing.identity)
            found += [out.words for piece in pieces for out in out_of_service(reader, piece)]
        return "; ".join(found)

    def _temperature(self, state: BenchState, values: Mapping[str, float | None]) -> float | None:
        """Return the temperature that the sample's method names, of the bench or of its companion."""
        signal = "" if state.named is None else state.named.signal
        name, dot, channel = signal.partition(".")
        if not dot:
            return values.get(signal)
        companion = self._sessions.get(name)
        if companion is None:
            return None
        return newest_reading(name, companion, self._in_progress.active)[0].get(channel)

    def _age(self, name: str) -> Age:
        """Return the age of the newest reading of an instrument, and for how long it counts."""
        session = self._sessions.get(name)
        if session is None:
            return Age()
        at, driver = read_at(name, session, self._in_progress.active), session.driver
        # Between runs it is polled more slowly.
        longest = max(counts_for(driver), session.link.exchange.stale_after_ns)
        return Age((self._clock.mono_ns() - at) / 1e9, longest / 1e9, is_keyed=not driver.stale_after_ns)

    def named(self, reader: Reader, bench: str, text: str) -> NamedSample:
        """Return the sample of an id; `SettingError` if the bench cannot measure it."""
        return named_sample(reader, self._catalogue(), tuple(self._sessions), bench, text)

    def begin(self, bench: str, begin: Begin, actor: Actor) -> None:
        """Start a run in the background."""
        self._loop.call_soon_threadsafe(self._begin, bench, begin, actor)

    def stop(self, bench: str, actor: Actor) -> None:
        """Stop the run on a bench in the background."""
        self._loop.call_soon_threadsafe(self._in_progress.stop, bench, actor.who)

    def taken_out(self, reader: Reader, bench: str, geometry: TakeOut) -> Change:
        """Return the change that takes a measuring geometry out of service; errors as in the act `equipment_out`."""
        order = TakeOutOrder(piece=f"{bench}/{geometry.geometry}", serial=geometry.serial, because=geometry.because)
        return taken_out(reader, self._catalogue(), order)[1]


def _companion(state: BenchState) -> str:
    """Return the companion whose temperature the sample's method names; "" for none."""
    return "" if state.named is None else state.named.signal.rpartition(".")[0]


def motor_still(session: Session, values: Mapping[str, float | None]) -> bool | None:
    """Return whether the motor of an instrument is known to be still; None where it has none."""
    if "halt" not in session.driver.capabilities:
        return None
    if session.standing.state != "ready" or session.motor in (Motor.TURNING, Motor.IN_DOUBT):
        return False
    speed = values.get(SPEED)
    return SPEED not in {c.name for c in session.driver.channels} or (speed is not None and abs(speed) < STILL)
