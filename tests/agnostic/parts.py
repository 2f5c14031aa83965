"""A driver of lines of numbers, simulated instruments with values as functions of time, and files written by a test."""

from collections.abc import Callable, Iterable
from typing import Any

from daq.core.driver import Channel, Decoded, Driver, Identity, Reject, Reply, Request
from daq.core.framing import Framing
from daq.methods.concluding.conclude import conclude
from daq.methods.files import load
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from daq.methods.planning.compile import InstrumentHistory, compile_plan
from daq.testing.bench import Bench

CHANNELS = {
    "balance": (Channel("mass", "g", -5.0, 620.0),),
    "thermometer": (Channel("temperature", "Cel", -100.0, 400.0),),
    "ph-meter": (
        Channel("ph", "[pH]", -2.0, 16.0),
        Channel("voltage", "mV", -2000.0, 2000.0),
        Channel("temperature", "Cel", -10.0, 130.0),
    ),
    "reading-viscometer": (
        Channel("torque", "%", 0.0, 110.0),
        Channel("speed", "/min", 0.0, 200.0),
        Channel("own_viscosity", "mPa.s", 0.0, 1e6),
    ),
}
SERIALS = {"balance": "B-1", "thermometer": "T-1", "ph-meter": "P-1", "reading-viscometer": "V-1"}


class Numbers(Driver):
    """Driver of lines of blank-separated numbers, one per channel, streamed once a second or when a key is pressed."""

    kind = "numbers"
    framing = Framing(terminator=b"\n", longest=200)
    streams = True

    def __init__(self, kind: str, *, interval_s: float = 1.0, by_key: bool = False, lag_s: float = 0.0) -> None:
        super().__init__({})
        self.channels = CHANNELS[kind]
        self.interval_ns = round(interval_s * 1e9)
        self.stale_after_ns = 0 if by_key else 5_000_000_000
        self.lag_ns = round(lag_s * 1e9)
        self.serial = SERIALS[kind]
        if kind == "reading-viscometer":
            self.capabilities = frozenset({"speed", "turn", "halt"})

    def identify(self) -> Request:
        return Request(b"who\n", "identity")

    def action(self, action: Any, value: float | None = None) -> Request:
        return Request(f"do {action} {value}\n".encode(), action)

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        if line == b"who":
            return Reply("identity", identity=Identity("numbers", self.serial))
        if line.startswith(b"do "):
            words = line.decode().split()
            return Reply(words[1], None if words[2] == "None" else float(words[2]))
        try:
            values = tuple(float(word) for word in line.split())
        except ValueError:
            return Reject("no numbers")
        return values if len(values) == len(self.channels) else Reject("wrong count")


class World:
    """A simulated instrument that sends `values(t)` every `interval_s`, or only at the times of `presses` (s)."""

    def __init__(
        self,
        values: Callable[[float], Iterable[float]],
        interval_s: float = 1.0,
        presses: Iterable[float] | None = None,
    ) -> None:
        self._values, self._interval = values, interval_s
        self._presses = None if presses is None else sorted(presses)
        self._now = self._next = 0.0
        self.speed = self._set = 0.0
        self._plan()

    def _plan(self) -> None:
        if self._presses is None:
            self._next += self._interval
        else:
            self._next = self._presses.pop(0) if self._presses else float("inf")

    def advance(self, dt_s: float) -> bytes:
        end, out = self._now + dt_s, b""
        while self._next <= end + 1e-9:
            out += b" ".join(b"%.6f" % v for v in self._values(self._next)) + b"\n"
            self._plan()
        self._now = end
        return out

    def receive(self, data: bytes) -> bytes:
        for line in data.split(b"\n"):
            if line.startswith(b"do speed"):
                self._set = float(line.split()[2])
            elif line.startswith(b"do turn"):
                self.speed = self._set
            elif line.startswith(b"do halt"):
                self.speed = 0.0
        return data

    def due_in_s(self) -> float | None:
        return None if self._next == float("inf") else max(self._next - self._now, 0.0)


def instrument(tmp_path: Any, name: str, kind: str, more: str = "") -> Any:
    path = tmp_path / f"{name}.toml"
    path.write_text(f'name = "{name}"\ndriver = "{kind}"\nport = "/dev/daq-{name}"\n{more}', encoding="utf-8")
    return load.load_instrument(path)


def method(tmp_path: Any, text: str, claim: str = "at_time", result: str = "mass") -> Any:
    path = tmp_path / "method.toml"
    head = f'id = "m"\nversion = "1"\ntitle = "M"\nclaim = "{claim}"\nresult = "{result}"\n'
    path.write_text(head + text, encoding="utf-8")
    return load.load_method(path)


def product(tmp_path: Any, text: str) -> Any:
    path = tmp_path / "product.toml"
    path.write_text('id = "p"\nname = "P"\n' + text, encoding="utf-8")
    return load.load_product(path)


def measured(
    recipe: Any,
    lead: Any,
    driver: Driver,
    world: Any,
    *,
    companions: Iterable[tuple[Any, Driver, Any]] = (),
    longest: float = 3600.0,
    before: Callable[[Bench], object] = lambda _: None,
    **more: Any,
) -> tuple[Any, Bench, Any]:
    """Execute one run in memory; return its conclusion, bench and payload."""
    others = list(companions)
    plan = compile_plan(
        recipe, lead, driver, companions=[(i, d) for i, d, _ in others], history=InstrumentHistory(), **more
    )
    drivers = {lead.name: driver} | {i.name: d for i, d, _ in others}
    worlds = {lead.name: world} | {i.name: w for i, _, w in others}
    bench = Bench(plan, drivers, worlds)
    before(bench)
    bench.begin()
    bench.run(longest)
    c = conclude(plan, bench.facts)
    data = ResultData.build(plan, c, RunDetails(run="r-1", sample=Sample(id="s-1")))
    return c, bench, data
