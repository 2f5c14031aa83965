"""Work through a part of a shift at the glaze works on simulated instruments, from serial line to historian.

Everything is real but instruments and samples: instruments in processes of their own on pseudo-terminals,
an MQTT broker, a subscriber, the daemon's own supervisor, one SQLite file.
"""

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import aiomqtt

from daq.adapters.clock import Clock, ScaledClock, SystemClock
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import examples_dir
from daq.app.daemon.process import served
from daq.app.daemon.protocol import Ended, Viewed
from daq.app.daemon.service import Service
from daq.app.daemon.supervisor import Supervisor
from daq.app.delivery.contract import schema_messages
from daq.app.delivery.publishing import Publishing
from daq.app.screens.run_view import RunEnd, RunView
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.app.workshop.bench_process import BenchProcess
from daq.app.workshop.visited_bench import BENCH, INSTRUMENT, SAMPLES, PageProcess, register_samples
from daq.methods.files.broker import SECOND
from daq.methods.files.daemon import Daemon

if TYPE_CHECKING:
    from daq.adapters.mqtt.embedded_broker import EmbeddedBroker

TOPICS = Topics(enterprise="glaze-works", site="kiln-street", area="quality")
INTERVAL_MS = 300
"""Time between polls in simulated time; at the demonstration's pace this is 50 polls a second and instrument."""
UNPLUG_AFTER_S = 15.0
"""Simulated seconds of measuring before the cable is unplugged."""
RESULTS_WAIT_S = 10.0
EXAMPLE = "G-1041"
"""The sample whose messages are kept as examples."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample to measure."""

    bench: str
    sample: str
    fluid: str
    """The fluid of the simulators that is filled in."""
    method: str
    about: str
    product: str = ""
    certificate: str = ""
    speed: float | None = None
    unplug: bool = False
    follow_advice: bool = False
    """True: measured again at the speed that the advice names."""


SHIFT = (
    Sample("bench-1", "REF-B", "reference-b", "reference-check", "reference fluid, before the shift",
           certificate="reference-b"),
    Sample("bench-1", "G-1041", "clear-glaze", "clear-glaze-qc", "clear glaze, a batch as it should be", "clear-glaze"),
    Sample("bench-1", "G-1042", "clear-glaze-thick", "clear-glaze-qc", "clear glaze, a batch with too little water",
           "clear-glaze"),
    Sample("bench-1", "G-1043", "clear-glaze", "clear-glaze-qc", "clear glaze, started at the wrong speed",
           "clear-glaze", speed=100, follow_advice=True),
    Sample("bench-1", "G-1044", "clear-glaze", "clear-glaze-qc", "clear glaze, the cable is unplugged in the run",
           "clear-glaze", unplug=True),
    Sample("bench-2", "W-207", "white-glaze", "white-glaze-flow-curve", "white glaze, nine speeds up and down",
           "white-glaze"),
)  # fmt: skip


@dataclass(slots=True)
class Measured:
    """One run of the demonstration and its result."""

    sample: Sample
    speed: float | None
    end: RunEnd | None = None
    result: dict[str, Any] | None = None


@dataclass(slots=True)
class Report:
    """The runs of the demonstration, and the messages that the historian received."""

    measured: list[Measured] = field(default_factory=list)
    received: list[dict[str, Any]] = field(default_factory=list)
    topics: list[str] = field(default_factory=list)
    messages: dict[str, dict[str, Any]] = field(default_factory=dict)
    """An example of each kind of message, by the first level after the prefix: ``result``, ``live``, ``status``..."""
    again: list[str] = field(default_factory=list)
    """Samples whose result came a second time because the historian asked for it on `refill`."""
    seconds: float = 0.0
    after_unplugging: str = ""
    """State of the motor after the cable was plugged in again."""


class Audience(Protocol):
    """Shows the demonstration while it goes on."""

    def keep(self, line: str) -> None:
        """Show a sentence as long as the demonstration goes on."""

    def tell(self, line: str) -> None:
        """Show a sentence about what happens."""

    def watch(self, bench: str, view: RunView) -> None:
        """Show the state of the run on a bench."""

    def finished(self, measured: Measured) -> None:
        """Show the result of a run."""


class Demonstration:
    """Instruments, broker, historian and daemon in `folder`, and the samples that they measure."""

    def __init__(
        self,
        folder: Path,
        *,
        scale: float,
        audience: Audience,
        broker: "EmbeddedBroker | None" = None,
        visited: bool = False,
    ) -> None:
        """Prepare the demonstration.

        Args:
            folder: holds the state and the lines.
            scale: simulated seconds in a real second, 1 to 20.
            audience: shows what happens.
            broker: not yet started; None: on a free port.
            visited: true: a further bench waits for a visitor, with a page.
        """
        if broker is None:
            from daq.adapters.mqtt.embedded_broker import EmbeddedBroker

            broker = EmbeddedBroker()
        self._broker = broker
        self.folder = folder
        self.report = Report()
        self._scale = scale
        self._audience = audience
        self._visited = visited
        self._benches: dict[str, BenchProcess] = {}
        self._service: Service
        self._supervisor: Supervisor
        self._clock: Clock = ScaledClock(scale) if scale != 1.0 else SystemClock()

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator["Demonstration"]:
        """Start simulators, broker, historian and daemon; stop them all at the end."""
        async with contextlib.AsyncExitStack() as stack:
            options = {"time_scale": self._scale}
            for kind, name, more in (
                *([INSTRUMENT] if self._visited else []),
                ("rotational", "bench-1", ("--serial", "R-1042", "--geometry", "coaxial-12", "--seed", "11")),
                ("rotational", "bench-2", ("--serial", "R-1043", "--geometry", "cylinder-9", "--seed", "12")),
                ("thermometer", "thermo-1", ("--serial", "T-0310", "--seed", "13")),
            ):
                bench = BenchProcess(kind, self.folder, name, "--temperature", "25", *more, **options)
                self._benches[name] = await stack.enter_async_context(bench)
            broker = await stack.enter_async_context(self._broker)
            self._audience.tell(
                f"broker on {broker.host}:{broker.port}, instruments on pseudo-terminals in {self.folder}"
            )
            historian = asyncio.create_task(self._historian(broker))
            stack.push_async_callback(_cancel, historian)
            settings = MqttSettings(
                host=broker.host,
                port=broker.port,
                user="daq",
                password=broker.passwords["daq"],
                protocol="3.1.1",
                backoff_first_s=0.2,
            )
            publishing = Publishing(settings, TOPICS, flat=True, live_every_ns=SECOND)
            publishing.schemas = schema_messages(TOPICS)
            state = self.folder / "state"
            state.mkdir(mode=0o700, exist_ok=True)
            self._supervisor = Supervisor(
                self._catalogue(), state, self._clock, publishing=publishing, computes_apart=True
            )
            self._service = await stack.enter_async_context(served(self._supervisor))
            if self._visited:
                await asyncio.to_thread(register_samples, self._supervisor)
                page = await stack.enter_async_context(PageProcess(self._supervisor))
                # Of its own line, so that no narrow terminal cuts it.
                self._audience.keep(f"{BENCH} waits for you, with {len(SAMPLES)} samples; your browser is its screen:")
                self._audience.keep(page.pairs)
                self._audience.keep(f"all benches: {page.says}")
            yield self

    def _catalogue(self) -> Catalogue:
        """Return the examples with simulated instruments in place of real ones; no other configuration is read."""
        catalogue = Catalogue.load(examples_dir())
        catalogue.daemon = Daemon(enable=tuple(self._benches))
        for name, bench in self._benches.items():
            instrument = catalogue.instruments[name]
            options = {"interval_ms": INTERVAL_MS} if instrument.driver == "rotational" else {}
            catalogue.instruments[name] = instrument.model_copy(
                update={"port": str(bench.port), "simulated": True, "options": options}
            )
        return catalogue

    async def _historian(self, broker: "EmbeddedBroker") -> None:
        """Subscribe as the historian of a plant does; keep each result once, by source and id."""
        seen: set[tuple[str, str]] = set()
        async with aiomqtt.Client(
            broker.host,
            broker.port,
            username="historian",
            password=broker.passwords["historian"],
            protocol=aiomqtt.ProtocolVersion.V311,
        ) as client:
            await client.subscribe(f"{TOPICS.prefix}/#", qos=1)
            async for message in client.messages:
                topic, payload = message.topic.value, bytes(message.payload)
                event = json.loads(payload)
                kind = topic.removeprefix(f"{TOPICS.prefix}/").partition("/")[0]
                if _is_example(kind, event):
                    self.report.messages[kind] = event
                if kind == "result" and (event["source"], event["id"]) not in seen:
                    seen.add((event["source"], event["id"]))
                    self.report.received.append(event)
                    self.report.topics.append(topic)
                    if event["data"]["sample"]["id"] == EXAMPLE:  # requested again, as after a loss
                        request = {"source": event["source"], "stream": event["subject"]}
                        request |= dict.fromkeys(("first", "last"), int(event["sequence"]))
                        await client.publish(TOPICS.refill(), json.dumps(request))
                elif kind == "result":
                    self.report.again.append(event["data"]["sample"]["id"])

    # ---- the shift

    async def shift(self, samples: tuple[Sample, ...] = SHIFT) -> Report:
        """Work through `samples`, the benches side by side."""
        started = time.monotonic()
        benches = dict.fromkeys(s.bench for s in samples)
        await asyncio.gather(*(self._bench([s for s in samples if s.bench == bench]) for bench in benches))
        await self._all_received()
        self.report.seconds = time.monotonic() - started
        return self.report

    async def _bench(self, samples: list[Sample]) -> None:
        for sample in samples:
            measured = await self._measure(sample, sample.speed)
            speed = _advised_speed(measured) if sample.follow_advice else None
            if speed is not None:
                await self._measure(sample, speed, f"again at {speed:g} min⁻¹, as advised")

    async def _measure(self, sample: Sample, speed: float | None, about: str = "") -> Measured:
        bench = self._benches[sample.bench]
        await bench.send_command(f"fluid {sample.fluid} 25")
        self._audience.tell(f"{sample.bench}  {sample.sample}  {about or sample.about}")
        order = RunOrder(
            method_id=sample.method,
            instrument=sample.bench,
            sample=sample.sample,
            product=sample.product,
            fluid=sample.certificate,
            operator="demo",
            choices={} if speed is None else {"speed": speed},
            anyway=True,
        )
        pulled = False
        measured = Measured(sample, speed)
        async for answer in self._service.handle(order):
            if isinstance(answer, Viewed):
                view = answer.view
                self._audience.watch(sample.bench, view)
                if sample.unplug and not pulled and view.state == "measuring" and view.stage_s > UNPLUG_AFTER_S:
                    pulled = True
                    await bench.send_command("unplug")
            elif isinstance(answer, Ended):
                measured.end, measured.result = answer.outcome, answer.result
        self.report.measured.append(measured)
        self._audience.finished(measured)
        if pulled:
            await self._plug_in_again(sample.bench, bench)
        return measured

    async def _plug_in_again(self, name: str, bench: BenchProcess) -> None:
        self._audience.tell(f"{name}  cable plugged in again; the daemon asks whether the motor turns")
        await bench.send_command("replug")
        session = self._supervisor.sessions[name]
        await _until(lambda: session.standing.state == "ready", 30.0)
        truth = json.loads(await bench.send_command("state"))
        self.report.after_unplugging = (
            "stopped and read back" if not session.standing.motor and not truth["turning"] else session.standing.motor
        )

    async def _all_received(self) -> None:
        report = self.report
        await _until(lambda: len(report.received) >= len(report.measured) and bool(report.again), RESULTS_WAIT_S)


def _is_example(kind: str, message: dict[str, Any]) -> bool:
    if kind == "flat":
        return bool(message["data"]["sample_id"] == EXAMPLE)
    if kind in ("result", "last"):
        return bool(message["data"]["sample"]["id"] == EXAMPLE)
    if kind == "reportable":
        return bool(message["data"]["sample"] == EXAMPLE)
    if kind == "live":
        return message["run"] is not None and message["instrument"] == SHIFT[0].bench
    return kind in ("curve", "refill") or (kind == "status" and message["state"] == "online")


def _advised_speed(measured: Measured) -> float | None:
    """Return the first speed (/min) among the advice, from its own field: the text is for people."""
    for advice in (measured.result or {}).get("advice", []):
        if advice.get("speed") is not None and advice.get("geometry") is None:
            return float(advice["speed"])
    return None


async def _until(condition: Callable[[], bool], seconds: float) -> None:
    deadline = time.monotonic() + seconds
    while not condition() and time.monotonic() < deadline:  # noqa: ASYNC110 - the condition has no event
        await asyncio.sleep(0.05)


async def _cancel(task: "asyncio.Task[None]") -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
