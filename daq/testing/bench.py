"""Bench: a run in memory with the pipeline, simulated instruments and bad lines under one virtual clock."""

import heapq
import itertools
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final, Protocol

from daq.core.driver import Driver
from daq.core.effects import Concluded, Effect, Ended, Facts, Kept, Moved, Noted, Send, StepEnded
from daq.core.events import ClockAnchor, Event, LinkDown, LinkUp, OperatorCommand, Received, Sent, StoreFault, Tick
from daq.core.exchange import NEVER
from daq.core.faults import CHECKS
from daq.core.header import Header, RecordedDriver
from daq.core.journal import JournalWriter
from daq.core.pipeline import Pipeline
from daq.core.plan import Plan
from daq.core.run import State
from daq.testing.clock import VirtualClock
from daq.testing.hostile import Clean, Transport

LATENCY_NS: Final = 2_000_000
"""Time between a request and the first byte of its answer, and between a streamed line and its arrival."""


class Simulator(Protocol):
    """A simulated instrument that answers bytes with bytes; its time passes by `advance`."""

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the bytes sent unasked meanwhile."""
        ...

    def receive(self, data: bytes) -> bytes:
        """Take bytes and return the bytes of the answers."""
        ...

    def due_in_s(self) -> float | None:
        """Return the time to the next unasked byte, s; None where there is none."""
        ...


class Silent:
    """An instrument that sends nothing."""

    def advance(self, dt_s: float) -> bytes:  # noqa: ARG002 - a `Simulator`
        """Return nothing."""
        return b""

    def receive(self, data: bytes) -> bytes:  # noqa: ARG002 - a `Simulator`
        """Return nothing."""
        return b""

    def due_in_s(self) -> float | None:
        """Return None: it sends nothing unasked."""
        return None


class Bench:
    """Runs one plan against simulated instruments and keeps all events and effects, in order.

    Attributes:
        events: every event, as journaled.
        effects: every effect, with the index of its event.
        received: bytes that arrived on each link, joined.
    """

    def __init__(
        self,
        plan: Plan,
        drivers: Mapping[str, Driver],
        simulators: Mapping[str, Simulator],
        *,
        clock: VirtualClock | None = None,
        incoming: Mapping[str, Transport] | None = None,
        outgoing: Mapping[str, Transport] | None = None,
        latency_ns: int = LATENCY_NS,
    ) -> None:
        """`incoming` and `outgoing` are the transports of a link, from and to the instrument."""
        self.plan = plan
        self.clock = clock or VirtualClock()
        self.simulators: dict[str, Simulator] = dict(simulators)
        self.pipeline = Pipeline(plan, drivers)
        self.events: list[Event] = []
        self.effects: list[tuple[int, Effect]] = []
        self.received: dict[str, bytes] = dict.fromkeys(simulators, b"")
        self.writing_fails: set[str] = set()
        self._incoming, self._outgoing = dict(incoming or {}), dict(outgoing or {})
        self._latency = latency_ns
        self._up: set[str] = set()
        self._numbers = itertools.count()
        self._arrivals: list[tuple[int, int, str, bytes]] = []
        self._latest: dict[str, int] = {}
        self._plans: list[tuple[int, int, Callable[[], object]]] = []
        self._queue: list[Event] = []
        self._simulated_to = dict.fromkeys(simulators, self.clock.mono_ns())
        self._journal = JournalWriter([link.name for link in plan.links])
        self._journal.header(header_of(plan, drivers), self.clock.mono_ns())
        self._raw = b""
        self._start = self.clock.mono_ns()

    # ---- actions of the operator and of the machine

    def begin(self, who: str = "tester") -> None:
        """Connect every instrument and start the run."""
        self.feed(ClockAnchor(self.clock.mono_ns(), self.clock.utc_ns(), self.clock.boot_id))
        for link in self.simulators:
            self.plug(link)
        self.feed(OperatorCommand(self.clock.mono_ns(), "begin", who))

    def plug(self, link: str) -> None:
        """Connect an instrument."""
        self._up.add(link)
        self._simulate(link)
        self.feed(LinkUp(self.clock.mono_ns(), link))

    def unplug(self, link: str, reason: str = "unplugged") -> None:
        """Pull an instrument's cable: bytes under way are lost."""
        self._up.discard(link)
        self._arrivals = [a for a in self._arrivals if a[2] != link]
        heapq.heapify(self._arrivals)
        self.feed(LinkDown(self.clock.mono_ns(), link, reason))

    def stop(self, who: str = "tester") -> None:
        """Request the end of the run."""
        self.feed(OperatorCommand(self.clock.mono_ns(), "stop", who))

    def store_fails(self, reason: str = "disk full") -> None:
        """Report that the store cannot take readings any more."""
        self.feed(StoreFault(self.clock.mono_ns(), reason))

    def silence(self, link: str) -> None:
        """Silence an instrument; its port stays open."""
        self.simulators[link] = Silent()

    def at(self, seconds: float, action: Callable[[], object]) -> None:
        """Call `action` `seconds` after the creation of the bench, before all other events of that time."""
        heapq.heappush(self._plans, (self._start + round(seconds * 1e9), next(self._numbers), action))

    # ---- time

    def run(self, longest_s: float = 3600.0) -> "Bench":
        """Let time pass until the run has ended, or until `longest_s` after the creation of the bench."""
        end = self._start + round(longest_s * 1e9)
        while self.pipeline.state is not State.ENDED:
            t = min(self._next(), end)
            self.clock.move_to(max(t, self.clock.mono_ns()))
            self._happen()
            if t >= end:
                break
        return self

    def _next(self) -> int:
        times = [self.pipeline.wake_at]
        times += [queue[0][0] for queue in (self._plans, self._arrivals) if queue]
        for link, simulator in self.simulators.items():
            due = simulator.due_in_s()
            if due is not None:
                times.append(self._simulated_to[link] + max(1, round(due * 1e9)))
        return min(times)

    def _happen(self) -> None:
        now = self.clock.mono_ns()
        while self._plans and self._plans[0][0] <= now:
            heapq.heappop(self._plans)[2]()
        for link in self.simulators:
            self._simulate(link)
        while self._arrivals and self._arrivals[0][0] <= now:
            _, _, link, data = heapq.heappop(self._arrivals)
            self.received[link] += data
            self.feed(Received(now, link, data))
        if self.pipeline.wake_at <= now < NEVER:
            self.feed(Tick(now))

    def _simulate(self, link: str) -> None:
        now = self.clock.mono_ns()
        passed, self._simulated_to[link] = now - self._simulated_to[link], now
        if passed:
            self._arrives(link, self.simulators[link].advance(passed * 1e-9))

    def _arrives(self, link: str, data: bytes) -> None:
        if not data or link not in self._up:
            return
        now = self.clock.mono_ns()
        for delay, chunk in self._incoming.get(link, Clean())(now + self._latency, data):
            t = max(now + self._latency + delay, self._latest.get(link, 0))
            self._latest[link] = t
            heapq.heappush(self._arrivals, (t, next(self._numbers), link, chunk))

    # ---- events and effects

    def feed(self, event: Event) -> None:
        """Journal an event, step the pipeline and carry out the effects; writes cause further events."""
        self._queue.append(event)
        if len(self._queue) > 1:
            return
        while self._queue:
            current = self._queue[0]
            self._journal.event(current)
            self.events.append(current)
            for effect in self.pipeline.step((current,)):
                self._journal.effect(effect, current.t)
                self.effects.append((len(self.events) - 1, effect))
                if isinstance(effect, Send):
                    self._write(effect.link, effect.data)
            self._queue.pop(0)

    def _write(self, link: str, data: bytes) -> None:
        now = self.clock.mono_ns()
        if link not in self._up or link in self.writing_fails:
            self._queue.append(LinkDown(now, link, "cannot be written to"))
            return
        self._queue.append(Sent(now, link, data))
        self._simulate(link)
        for _, chunk in self._outgoing.get(link, Clean())(now, data):
            self._arrives(link, self.simulators[link].receive(chunk))

    # ---- results

    def journal(self) -> bytes:
        """Return the journal so far, all blocks joined."""
        block = self._journal.cut()
        if block is not None:
            self._raw += block.raw
        return self._raw

    @property
    def facts(self) -> Facts:
        """Facts from which the run was concluded.

        Raises:
            LookupError: the run is not concluded yet.
        """
        for _, effect in self.effects:
            if isinstance(effect, Concluded):
                return effect.facts
        raise LookupError(f"the run is not concluded; it is {self.pipeline.state.value}")

    @property
    def motor(self) -> str:
        """State of the motor at the end of the run; "" before the end."""
        return next((e.motor for _, e in self.effects if isinstance(e, Ended)), "")

    @property
    def kept(self) -> list[Kept]:
        """Kept values, in order."""
        return [e for _, e in self.effects if isinstance(e, Kept)]

    @property
    def steps(self) -> list[StepEnded]:
        """Steps that ended, in order."""
        return [e for _, e in self.effects if isinstance(e, StepEnded)]

    @property
    def moves(self) -> list[tuple[str, str, str]]:
        """Transitions in order: state, trigger, next state."""
        return [(e.source, e.trigger, e.target) for _, e in self.effects if isinstance(e, Moved)]

    @property
    def notes(self) -> list[str]:
        """Codes of the notes, in order."""
        return [e.code for _, e in self.effects if isinstance(e, Noted)]

    def sent(self, link: str) -> list[bytes]:
        """Return the bytes written to a link, in order."""
        return [e.data for e in self.events if isinstance(e, Sent) and e.link == link]


def header_of(plan: Plan, drivers: Mapping[str, Driver], **more: Any) -> Header:
    """Return a journal's header for a plan; `more` replaces its other fields."""
    recorded = {
        link.name: RecordedDriver(
            kind=link.driver,
            options=link.options,
            state=dict(drivers[link.name].state()),
            digest=drivers[link.name].digest(),
        )
        for link in plan.links
    }
    return replace(Header(run="bench", plan=plan, drivers=recorded, checks=CHECKS), **more)
