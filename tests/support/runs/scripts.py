"""A plain instrument and a script of a run: readings at exact times, without the timing of a line protocol."""

from dataclasses import replace

from daq.core.context import Context
from daq.core.driver import Action, Channel, Driver, Identity, Reject, Reply, Request, Values
from daq.core.effects import Concluded, Ended, Kept, Moved, Noted, Send, StepEnded
from daq.core.errors import DriverError
from daq.core.events import LinkDown, LinkUp, OperatorCommand, Received, Sent, StoreFault, Tick
from daq.core.exchange import NEVER
from daq.core.faults import CHECKS
from daq.core.framing import Framing
from daq.core.journal import JournalWriter, canonical
from daq.core.pipeline import Pipeline
from daq.core.plan import Conditioning, Derivation, Extent, Keep, LinkPlan, Plan, Rule, Seek, Step
from daq.core.torqueband import TorqueBand
from daq.testing.bench import header_of

S = 1_000_000_000
START = 1000 * S
NONE = Extent()
USUAL = object()
"""A torque of 50 % while the motor turns, and 0 % at standstill."""
PLAIN = Conditioning()


class Plain(Driver):
    """Driver of a stream of `r torque speed temperature [channel=fault ...]`, `ok action` and `no reason`."""

    kind = "plain"
    channels = (
        Channel("torque", "%", -110.0, 110.0),
        Channel("speed", "/min", -1000.0, 1000.0),
        Channel("temperature", "Cel", -50.0, 300.0),
    )
    framing = Framing(terminator=b"\n", longest=120)
    streams = True
    interval_ns = S // 10
    stale_after_ns = 3 * S
    capabilities = frozenset({"speed", "turn", "halt", "bath"})
    on_link_loss = "keeps_turning"

    def decode(self, line, asked=None):
        word, *rest = line.decode("latin-1").split(" ")
        try:
            if word == "r":
                values = tuple(None if v == "-" else float(v) for v in rest[:3])
                if len(values) != 3:
                    return Reject("too few values")
                faults = tuple(tuple(w.split("=")) for w in rest[3:])
                return Values(values, faults) if faults or None in values else values
        except ValueError:
            return Reject("not a number")
        if word == "ok" and len(rest) == 1:
            return Reply(rest[0])
        if word == "no":
            return Reply("refused", refusal=" ".join(rest))
        return Reject("unknown line")

    def action(self, action: Action, value: float | None = None) -> Request:
        if action not in self.capabilities:
            raise DriverError(f"plain cannot {action}")
        text = action if value is None else f"{action} {value:g}"
        return Request(text.encode() + b"\n", action)


class Named(Plain):
    """The plain driver with an identity: `who` is answered with `i serial`."""

    kind = "named"

    def decode(self, line, asked=None):
        if line.startswith(b"i "):
            return Reply("identity", identity=Identity("named", line[2:].decode()))
        return super().decode(line, asked)

    def identify(self):
        return Request(b"who\n", "identity")


class Polled(Plain):
    """The plain driver with a poll for each reading."""

    kind = "polled"
    streams = False

    def poll(self):
        return Request(b"read\n", "reading", timeout_ns=300_000_000)


class Probe(Driver):
    """Driver of a companion that sends one temperature in each line, with a fault after a blank, or `x` (broken)."""

    kind = "probe"
    channels = (Channel("temperature", "Cel", -100.0, 400.0),)
    framing = Framing(terminator=b"\n", longest=40)
    streams = True
    interval_ns = S
    stale_after_ns = 5 * S

    def decode(self, line, asked=None):
        if line == b"x":
            return Values((None,), (("temperature", "probe"),))
        number, _, fault = line.decode("latin-1").partition(" ")
        try:
            return Values((float(number),), (("temperature", fault),)) if fault else (float(number),)
        except ValueError:
            return Reject("not a number")


def seconds(value: float) -> Extent:
    return Extent(ns=round(value * S))


def turns(value: float) -> Extent:
    return Extent(revolutions=value)


def elapsed(limit: float, name: str = "", **more) -> Rule:
    return Rule("above", name or f"elapsed {limit:g}", "elapsed", low=limit, **more)


def step(
    stop: Rule,
    *keep: Keep,
    speed: float | None = None,
    settle: Extent = NONE,
    longest: float = 3600.0,
    seek: Seek | None = None,
) -> Step:
    return Step("step", speed, settle, stop, keep, round(longest * S), seek)


STRESS = Derivation("stress", "Pa", "linear", ("torque",), 2.0)
RATE = Derivation("rate", "/s", "linear", ("speed",), 0.5)
VISCOSITY = Derivation("viscosity", "mPa.s", "ratio", ("stress", "rate"), 1000.0)


def plan_of(
    *steps: Step,
    conditioning: Conditioning = PLAIN,
    companions: tuple[str, ...] = (),
    primary: str = "viscosity",
    driver: type[Driver] = Plain,
    speed_timeout: float = 60.0,
    **more,
) -> Plan:
    made = driver({})
    turning = any(s.speed is not None for s in steps) or conditioning.preshear_speed is not None
    lead = LinkPlan(
        "lead", "lead", driver.kind, {}, made.digest(), tuple(c.name for c in made.channels),
        tuple(c.unit for c in made.channels), Identity("named", "N-1") if driver is Named else None,
    )  # fmt: skip
    others = tuple(LinkPlan(n, "companion", "probe", {}, "", ("temperature",), ("Cel",)) for n in companions)
    plan = Plan(
        method="method", version="1", digest="d", links=(lead, *others), derivations=(STRESS, RATE, VISCOSITY),
        conditioning=conditioning, steps=steps, primary=primary, claim="at_time",
        band=TorqueBand("torque", "%", 10.0, 100.0, 110.0), speed_signal="speed" if turning else "", moves=turning,
        speed_tolerance=0.02, speed_timeout_ns=round(speed_timeout * S), context=Context(),
    )  # fmt: skip
    return replace(plan, **more)


def drivers_of(plan: Plan) -> dict[str, Driver]:
    kinds = {d.kind: d for d in (Plain, Named, Polled, Probe)}
    return {link.name: kinds[link.driver](link.options) for link in plan.links}


def make_driver(kind, options, state):
    return {d.kind: d for d in (Plain, Named, Polled, Probe)}[kind](options)


class Script:
    """One run, event by event, by the rules of the daq with `checks`; times in seconds after its start."""

    def __init__(self, plan: Plan, *, driver: Driver | None = None, checks: int = CHECKS) -> None:
        self.plan = plan
        self.drivers = drivers_of(plan)
        if driver is not None:
            self.drivers["lead"] = driver
        self.pipeline = Pipeline(plan, self.drivers, checks=checks)
        self.events = []
        self.effects = []
        self.answers = True
        self.serial = b"N-1"
        """Serial number that a `Named` instrument answers; empty for no answer."""
        self.now = START
        self._so_far = b""
        self._journal = JournalWriter([link.name for link in plan.links])
        self._journal.header(header_of(plan, self.drivers, checks=checks), START)

    # ---- events

    def feed(self, event):
        self.now = max(self.now, event.t)
        self.events.append(event)
        self._journal.event(event)
        effects = self.pipeline.step((event,))
        for effect in effects:
            self._journal.effect(effect, event.t)
        self.effects += effects
        sends = [effect for effect in effects if isinstance(effect, Send)]
        for send in sends:
            self.feed(Sent(event.t, send.link, send.data))
        for send in sends if self.answers else ():
            if send.data == b"who\n":
                if self.serial:
                    self.line(None, b"i " + self.serial, link=send.link)
            elif send.data != b"read\n":
                self.line(None, b"ok " + send.data.split()[0], link=send.link)
        return effects

    def ns(self, t: float | None) -> int:
        return self.now if t is None else START + round(t * S)

    def up(self, *links, t: float = 0.0):
        for link in links or [link.name for link in self.plan.links]:
            self.feed(LinkUp(self.ns(t), link))

    def begin(self, t: float = 0.0):
        self.up(t=t)
        self.feed(OperatorCommand(self.ns(t), "begin", "tester"))
        return self

    def stop(self, t: float):
        return self.feed(OperatorCommand(self.ns(t), "stop", "tester"))

    def line(self, t: float | None, text: bytes, link: str = "lead"):
        return self.feed(Received(self.ns(t), link, text + b"\n"))

    def reading(self, t: float, torque=USUAL, speed=12.0, temperature=25.0, *faults: str):
        if torque is USUAL:
            torque = 50.0 if speed is None or speed else 0.0
        values = " ".join("-" if v is None else repr(v) for v in (torque, speed, temperature))
        return self.line(t, " ".join(["r " + values, *faults]).encode())

    def readings(self, start: float, end: float, every: float = 0.1, torque=USUAL, speed=12.0, temperature=25.0):
        """Feed readings at start + every, start + 2 every, ..., end (s); `torque` may be a function of the time."""
        n = round((end - start) / every)
        for i in range(1, n + 1):
            t = round(start + i * every, 9)
            self.reading(t, torque(t) if callable(torque) else torque, speed, temperature)

    def probe(self, t: float, text: bytes = b"25.0", link: str = "probe"):
        return self.line(t, text, link)

    def tick(self, t: float | None = None):
        """Feed a tick at `t` (s), or at the time for which the pipeline asks."""
        when = self.pipeline.wake_at if t is None else self.ns(t)
        assert when < NEVER
        return self.feed(Tick(when))

    def down(self, t: float, link: str = "lead", reason: str = "unplugged"):
        return self.feed(LinkDown(self.ns(t), link, reason))

    def store_fault(self, t: float):
        return self.feed(StoreFault(self.ns(t), "disk full"))

    def to_measuring(self, torque=USUAL, speed=12.0):
        """Start the run and confirm the speed at once, so that the step starts at 0 s."""
        self.begin()
        self.reading(0.0, torque, speed)
        assert self.state == "measuring", self.state
        return self

    # ---- results

    @property
    def state(self) -> str:
        return self.pipeline.state.value

    def of(self, kind):
        return [e for e in self.effects if isinstance(e, kind)]

    @property
    def kept(self) -> list[Kept]:
        return self.of(Kept)

    @property
    def ended(self) -> list[StepEnded]:
        return self.of(StepEnded)

    @property
    def moves(self):
        return [(e.source, e.trigger, e.target) for e in self.of(Moved)]

    @property
    def notes(self):
        return [e.code for e in self.of(Noted)]

    @property
    def motor(self) -> str:
        return self.of(Ended)[-1].motor

    @property
    def facts(self):
        return self.of(Concluded)[-1].facts

    @property
    def sent(self) -> list[bytes]:
        return [e.data.strip() for e in self.of(Send)]

    def journal(self) -> bytes:
        block = self._journal.cut()
        return b"" if block is None else block.raw

    def journal_so_far(self) -> bytes:
        """Return all records written so far."""
        self._so_far += self.journal()
        return self._so_far


def texts(effects) -> list[str]:
    return [repr(e) if isinstance(e, Send) else canonical(e) for e in effects]


def at(t: float) -> int:
    return START + round(t * S)


def after(ns: int) -> float:
    """Return the time in seconds after the start."""
    return (ns - START) / S
