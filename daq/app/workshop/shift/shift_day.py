"""A whole shift at the glaze works: fifty samples on three simulated benches, with what goes wrong on such a day.

Store, daemon, records and screens are the real ones; instruments are simulated and on ports in memory, and time passes
as fast as the computer works (`fast_time`).
"""

import asyncio
import base64
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.paths import examples_dir
from daq.app.daemon.protocol import Perform, Performed
from daq.app.daemon.service import Service
from daq.app.daemon.supervisor import Supervisor
from daq.app.laboratory.given import NOTHING_GIVEN, Given
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.app.workshop.shift import invented_works as works
from daq.app.workshop.shift.fast_time import FastClock, FastLoop
from daq.app.workshop.shift.invented_works import Batch
from daq.app.workshop.shift.memory_ports import SimulatedPort
from daq.core.errors import SettingError
from daq.methods.files.daemon import Daemon
from daq.methods.files.instrument import ControlOfShift
from daq.process.extras import need
from daq.process.logins import own_login
from simulators.rotational import Fluid, RotationalInstrument
from simulators.streaming_rotational import StreamingRotational

INTERVAL_MS: Final = 200
OPERATORS: Final = {"bench-1": "k.sieve", "bench-2": "o.ladle", "bench-3": "r.dipper"}
VERIFICATION: Final = "reference-verification"
CERTIFIED: Final = "reference-b"
CONTROL: Final = ControlOfShift(fluid="house-oil", method="house-control")
"""The control fluid, and its method."""
REQUIRING: Final = ("bench-1", "bench-3")
"""Benches that require it; bench-2 measures with a vane, too, for which the control fluid has no value."""
TORQUES: Final[dict[str, dict[str, float | str]]] = {"bench-2": {"low": 50, "high": 100}}
"""Speeds (/min) of a verification, where those of the method give too little torque."""
REVIEWER: Final = "m.keeper"
INVENTED_PASSWORD: Final = "invented for the demonstration"  # noqa: S105 - of a person who does not exist
BETWEEN_S: Final = 60.0
"""Time for cleaning and filling between two runs, s."""


@dataclass(frozen=True, slots=True)
class Happened:
    """One line of the day."""

    utc_ns: int
    bench: str
    what: str
    result: dict[str, Any] | None = None


@dataclass(slots=True)
class Day:
    """The events of the day, in order, and their counts."""

    events: list[Happened] = field(default_factory=list)
    samples: int = 0
    runs: int = 0
    began_utc_ns: int = 0
    ended_utc_ns: int = 0


class ShiftDay:
    """The benches of the works, and the people who measure on them."""

    def __init__(
        self, state: Path, loop: FastLoop, began_utc_ns: int, tell: Callable[[Happened], None] = lambda _: None
    ) -> None:
        """Prepare the shift.

        Args:
            state: an empty folder for the state directory.
            loop: the loop in which the shift runs.
            began_utc_ns: when the shift begins.
            tell: called with each line of the day.
        """
        self.day = Day()
        self._tell = tell
        self._clock = FastClock(loop, began_utc_ns)
        self._loop, self._state, self._reports = loop, state, state.parent / "reports"
        self._verdicts: dict[str, str] = {}
        """Verdicts of the Good results of samples, by the id of the run."""
        self._ports = {name: SimulatedPort(self._clock, made) for name, made in works.instruments().items()}
        self._supervisor: Supervisor
        self._service: Service

    @asynccontextmanager
    async def open(self) -> AsyncIterator["ShiftDay"]:
        """Start the daemon on the state directory, and stop it at the end."""
        self._supervisor = supervisor = Supervisor(
            self._catalogue(), self._state, self._clock, ports=lambda instrument, _: self._ports[instrument.name].open
        )
        await supervisor.start()
        self._loop.others.append(lambda: not supervisor.store.idle)
        self._service = Service(supervisor)
        try:
            yield self
        finally:
            await supervisor.close()

    def _catalogue(self) -> Catalogue:
        """Return the examples with simulated instruments; no other configuration is read."""
        catalogue = Catalogue.load(examples_dir())
        catalogue.daemon = Daemon(enable=tuple(self._ports))
        for name in self._ports:
            instrument = catalogue.instruments[name]
            options = {"interval_ms": INTERVAL_MS} if instrument.driver == "rotational" else instrument.options
            more = {"control": CONTROL} if name in REQUIRING else {}
            catalogue.instruments[name] = instrument.model_copy(update={"simulated": True, "options": options, **more})
        return catalogue

    async def work(self) -> Day:
        """Register the samples, work through them on all benches side by side, and return what happened."""
        self.day.began_utc_ns = self._clock.utc_ns()
        batches = works.batches()
        for bench, listed in batches.items():
            for batch in listed:
                if not batch.rework_of:
                    await self._register(batch, bench)
        await asyncio.gather(*(self._bench(bench, listed) for bench, listed in batches.items()))
        await self._sign_off()
        await self._make_reports()
        self.day.ended_utc_ns = self._clock.utc_ns()
        return self.day

    # ---- what people do

    async def _bench(self, bench: str, batches: list[Batch]) -> None:
        await self._verify(bench, fails=bench == "bench-1")
        held = await self._first_control(bench, batches[0])
        before = ""
        for batch in batches:
            if batch.product == "gelled-slip" and before != batch.product:
                await self._change_geometry(bench, batch)
            before = batch.product
            if batch.rework_of:
                await self._register(batch, bench)
            for fill in range(1 + held, batch.fills + held + 1):
                await self._measure(bench, batch, fill)
            held = 0

    async def _register(self, batch: Batch, bench: str) -> None:
        order: dict[str, Any] = {"id": batch.sample, "product": batch.product, "lot": batch.lot, "bench": bench}
        if batch.rework_of:
            order["rework"] = {"of": batch.rework_of, "added": "water, 2 %"}
        await self._act("sample_add", order)
        self.day.samples += 1

    async def _verify(self, bench: str, *, fails: bool) -> None:
        for condition in ("as_found", "as_left") if fails else ("as_found",):
            wet = fails and condition == "as_found"
            self._fill(bench, works.WATERED if wet else works.REFERENCE, 25.0)
            about = "verification" if condition == "as_found" else "verification again, with a dry cup"
            await self._run(
                bench,
                about,
                RunOrder(
                    sample=CERTIFIED,
                    method_id=VERIFICATION,
                    instrument=bench,
                    fluid=CERTIFIED,
                    condition=condition,
                    choices=TORQUES.get(bench, {}),
                    operator=OPERATORS[bench],
                ),
            )

    async def _first_control(self, bench: str, first: Batch) -> int:
        """Measure the control of the shift; return how many fillings of the first sample it held Uncertain."""
        held = 0
        if bench == works.CONTROL_FAILS:
            await self._control(bench, works.THINNED, "control of the shift")
            await self._measure(bench, first, 1)
            self._note(bench, f"{first.sample} must be measured again: no result is Good before the control has passed")
            held = 1
        again = ", again with a dry cup" if held else ""
        await self._control(bench, works.HOUSE_OIL, f"control of the shift{again}")
        return held

    async def _control(self, bench: str, fluid: Fluid, about: str) -> None:
        self._fill(bench, fluid, 25.0)
        order = RunOrder(
            sample=CONTROL.fluid,
            method_id=CONTROL.method,
            instrument=bench,
            fluid=CONTROL.fluid,
            operator=OPERATORS[bench],
        )
        await self._run(bench, about, order)

    async def _change_geometry(self, bench: str, batch: Batch) -> None:
        """Fit the vane; the run that is tried before that is recorded is refused."""
        self._ports[bench].simulator = works.rotational("R-1043", "vane-20", 12)
        try:
            await self._measure(bench, batch, 1)
        except SettingError as refused:
            self._note(bench, f"{batch.sample} refused: {refused}")
        await self._act("fit", {"instrument": bench, "geometry": "vane-20"})
        self._note(bench, "vane-20 fitted, and recorded")

    async def _measure(self, bench: str, batch: Batch, fill: int) -> None:
        await asyncio.sleep(BETWEEN_S)
        self._fill(bench, works.filled(batch, fill), batch.celsius)
        again = ", second filling" if fill > 1 else ""
        order = RunOrder(
            sample=batch.typed or batch.sample,
            product=batch.product if batch.typed else "",
            instrument=bench,
            filling="" if fill == 1 else "fresh",
            operator=OPERATORS[bench],
        )
        if batch.product == "thin-slip":
            order = order.model_copy(update={"method_id": "casting-slip-equilibrium"})
        run = await self._run(bench, f"{order.sample}{again}", order)
        if batch.typed:
            because = "the id was mistyped; the label on the cup is right"
            # The sample that was typed loses its result, so a person who reviews corrects the run.
            await self._act("run_correct_reviewed", {"run": run, "sample": batch.sample, "because": because})
            self._note(bench, f"{batch.typed} corrected to {batch.sample}: {because}")

    async def _sign_off(self) -> None:
        """Let a person who measured nothing review the results within limits: one password, all or none."""
        try:
            need("argon2", "a password")
        except SettingError as error:
            self._note("", f"the results of the day are not signed: {error}")
            return
        await self._act("person_add", {"id": "a.bench", "role": "administer", "logins": [own_login()]})
        await self._act("person_add", {"id": REVIEWER, "role": "review"})
        await self._act("person_password", {"id": REVIEWER, "password": INVENTED_PASSWORD})
        fine = [run for run, verdict in self._verdicts.items() if verdict == "within"]
        signed = [{"of": "run", "id": run} for run in fine]
        await self._act(
            "sign",
            {"meaning": "reviewed", "signed": signed, "password": INVENTED_PASSWORD},
            Given(person=REVIEWER, password=INVENTED_PASSWORD),
        )
        left = len(self._verdicts) - len(fine)
        self._note("", f"{len(fine)} results reviewed and signed by {REVIEWER}; {left} left for a look at each")

    async def _make_reports(self) -> None:
        try:
            need("typst", "a report")
        except SettingError as error:
            self._note("", f"no reports are made: {error}")
            return
        self._reports.mkdir(exist_ok=True)
        for name, act, order in (
            ("record-G-2042", "report_make", {"of": "G-2042"}),
            ("record-W-0207", "report_make", {"of": "W-0207"}),
            ("certificate-G-2052", "certificate_release", {"of": works.MISTYPED}),
            ("chart-clear-glaze", "report_chart", {"product": "clear-glaze", "last": 30}),
            ("day", "report_day", {"day": utc_text(self.day.began_utc_ns)[: len("2026-11-29")]}),
        ):
            made = await self._act(act, order)
            (self._reports / f"{name}.pdf").write_bytes(base64.b64decode(made["pdf"]))
            self._note("", f"{name}.pdf: {made['title']}, number {made['number']}")

    # ---- how they do it

    def _fill(self, bench: str, fluid: Fluid, celsius: float) -> None:
        simulator = self._ports[bench].simulator
        instrument = simulator.inner if isinstance(simulator, StreamingRotational) else simulator
        if not isinstance(instrument, RotationalInstrument):
            raise TypeError(f"{bench} holds no sample")
        instrument.set_temperature(celsius)
        instrument.fill(fluid)

    async def _run(self, bench: str, about: str, order: RunOrder) -> str:
        # No screen watches these runs: the views of a live screen would take as much time as all measurements.
        active = await self._supervisor.begin(order)
        await active.task
        data = active.maker.data
        self.day.runs += 1
        if data is not None and data.verification is None and data.quality == "Good":
            self._verdicts[active.record.id] = data.verdict.verdict
        self._note(bench, about, None if data is None else data.model_dump(mode="json"))
        return active.record.id

    async def _act(self, act: str, order: dict[str, Any], by: Given = NOTHING_GIVEN) -> dict[str, Any]:
        async for answer in self._service.handle(Perform(act=act, order=order, by=by)):
            if isinstance(answer, Performed):
                return answer.performed
        return {}

    def _note(self, bench: str, what: str, result: dict[str, Any] | None = None) -> None:
        event = Happened(self._clock.utc_ns(), bench, what, result)
        self.day.events.append(event)
        self._tell(event)
