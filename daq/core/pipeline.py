"""The heart: `step(events) -> effects`, pure, the same however the events are batched.

A `Pipeline` runs one plan once.  Its state is changed in place.  It asks for its next tick
through `wake_at`; whatever fell due before an event is done first, at the time it was due,
so lateness of the clock changes nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from daq.core.columns import Columns
from daq.core.derive import getters
from daq.core.driver import Action, Driver, Reply, Request, Values
from daq.core.effects import Concluded, Effect, Ended, Facts, Kept, Moved, Noted, Send, StepEnded
from daq.core.errors import DriverError
from daq.core.events import (
    ClockAnchor,
    Event,
    LinkDown,
    LinkUp,
    OperatorCommand,
    Received,
    Sent,
    StoreFault,
    Tick,
)
from daq.core.exchange import NEVER, Exchange
from daq.core.plan import Extent, Keep, Plan, Rule
from daq.core.run import ACTIVE, OUTCOMES, TRANSITIONS, State
from daq.core.spans import take
from daq.core.stop import Clock, Met, StopRule

STILL: Final = 0.05
"""A confirmed speed (/min) below this counts as standing still."""
STOP_TIMEOUT_NS: Final = 10_000_000_000
SILENCES_TO_GIVE_UP: Final = 3
"""A lead instrument silent for so many times its `stale_after_ns` interrupts the run."""


class Pipeline:
    """One run of one plan: events in, effects out."""

    def __init__(self, plan: Plan, drivers: Mapping[str, Driver]) -> None:
        """`drivers` holds one driver for each link of the plan, by its name."""
        self.plan = plan
        self.drivers = dict(drivers)
        self.state = State.READY
        self.lead = plan.lead.name
        self.exchanges = {
            link.name: Exchange(link.name, drivers[link.name], self._send, self._request_failed) for link in plan.links
        }
        self.columns = {link.name: Columns(link.channels) for link in plan.links}
        self.clock = Clock(start=0, floor=NEVER)
        self.step_number = 0
        self.turning = False
        self.moved = False
        self.motor = "not moved"
        self.latest: dict[str, float | None] = {}
        self.repeats = 0
        self._getters = {link.name: getters(link.channels, ()) for link in plan.links}
        self._getters[self.lead] = getters(plan.lead.channels, plan.derivations)
        self._speed_at = plan.lead.channels.index(plan.speed_signal) if plan.speed_signal else -1
        self._torque_at = plan.lead.channels.index(plan.band.signal) if plan.band else -1
        self._limit = plan.band.limit if plan.band else 0.0
        ranges = drivers[self.lead].channels
        self._ranges = [(c.name, c.low, c.high) for c in ranges]
        self._effects: list[Effect] = []
        self._t = 0
        self._began = 0
        self._stage_start = 0
        self._stage: StopRule | None = None
        self._stop: StopRule | None = None
        self._events: list[tuple[Keep, StopRule]] = []
        self._intervals: list[tuple[Keep, int]] = []
        self._watched: list[tuple[str, Any]] = []
        self._last_t = 0
        self._last_values: Sequence[float | None] = ()
        self._last_speed = 0.0
        self._speed_confirmed_by_reading = False
        self._acked: set[str] = set()
        self._facts = Facts(0, 0, "", "")
        self._concluded = False

    # ---- the one way in

    def step(self, events: Iterable[Event]) -> list[Effect]:
        """Take events in order of their times and give what follows from them, in order."""
        self._effects = effects = []
        for event in events:
            if type(event) is Received:
                self._advance(event.t, until_now=False)
                self._receive(event)
            else:
                self._advance(event.t, until_now=False)
                self._take(event)
            self._advance(event.t, until_now=True)
        return effects

    def _take(self, event: Event) -> None:
        self._t = event.t
        if isinstance(event, Sent):
            self.exchanges[event.link].sent(event.t)
        elif isinstance(event, LinkUp):
            self.exchanges[event.link].link_up(event.t)
        elif isinstance(event, LinkDown):
            self._link_down(event)
        elif isinstance(event, OperatorCommand):
            self._operator(event)
        elif isinstance(event, StoreFault):
            self._note("store_fault", event.reason)
            self._give_up("fault", f"the store cannot take readings: {event.reason}")
        elif isinstance(event, (Tick, ClockAnchor)):
            pass

    @property
    def wake_at(self) -> int:
        """When (ns) something falls due without any event, or `NEVER`."""
        due = min(x.wake_at for x in self.exchanges.values())
        if self.state is State.ENDED:
            return due
        if self.state is State.MEASURING and self._stop is not None:
            due = min(due, self._stop.due(self.clock), self._step_deadline())
            for keep, k in self._intervals:
                if keep.every.ns:
                    due = min(due, self.clock.start + k * keep.every.ns)
        else:
            due = min(due, self._stage_due())
        if self.exchanges[self.lead].silent and self.state in ACTIVE:
            due = min(due, self._silence_deadline())
        return due

    def _advance(self, t: int, *, until_now: bool) -> None:
        """Do everything that fell due before `t` (or up to it), each at its own time."""
        while True:
            due = self.wake_at
            if due > t or (due == t and not until_now):
                return
            self._t = max(self._t, due)
            self._due(self._t)
            if self.wake_at <= due and not self._moved_on(due):
                return

    def _moved_on(self, due: int) -> bool:
        """Whether another thing is due at the same time; guards against standing still."""
        before = self._signature()
        self._due(due)
        return self._signature() != before

    def _signature(self) -> tuple[object, ...]:
        return (self.state, self.step_number, self.wake_at, len(self._effects), tuple(k for _, k in self._intervals))

    # ---- time

    def _due(self, t: int) -> None:
        for exchange in self.exchanges.values():
            was_silent = exchange.silent
            if exchange.wake_at <= t:
                exchange.tick(t)
            if exchange.silent and not was_silent:
                self._silent(t, exchange)
        lead = self.exchanges[self.lead]
        if lead.silent and self.state in ACTIVE and t >= self._silence_deadline():
            self._give_up("link lost", "the instrument does not answer any more")
        if self.state is State.MEASURING:
            self._measuring_due(t)
        elif t >= self._stage_due():
            self._stage_over(t)

    def _silence_deadline(self) -> int:
        exchange = self.exchanges[self.lead]
        return exchange.last_reading_t + SILENCES_TO_GIVE_UP * exchange.driver.stale_after_ns

    def _step_deadline(self) -> int:
        return self.clock.start + self.plan.steps[self.step_number].longest_ns

    def _stage_due(self) -> int:
        c, start = self.plan.conditioning, self._stage_start
        if self.state is State.TEMPERING:
            return start + c.longest_ns
        if self.state is State.SOAKING:
            return start + c.soak_ns
        if self.state is State.PRESHEARING:
            return start + c.preshear_ns + (STOP_TIMEOUT_NS if not self.turning else 0)
        if self.state is State.RESTING:
            return start + c.rest_ns
        if self.state is State.STARTING:
            return start + self.plan.speed_timeout_ns
        if self.state is State.STOPPING:
            return start + STOP_TIMEOUT_NS
        return NEVER

    def _stage_over(self, t: int) -> None:
        c = self.plan.conditioning
        if self.state is State.TEMPERING:
            self._give_up(
                "fault", f"{c.signal} did not stay within {c.low:g} to {c.high:g} in {c.longest_ns / 1e9:g} s"
            )
        elif self.state is State.SOAKING:
            self._go("soaked")
        elif self.state is State.PRESHEARING:
            if self.turning:
                self._halt()
                self.turning = False
                self._note("sheared", f"pre-sheared for {c.preshear_ns / 1e9:g} s at {c.preshear_speed:g} /min")
            else:
                self._give_up("fault", "the motor did not come to rest after the pre-shear")
        elif self.state is State.RESTING:
            self._go("rested")
        elif self.state is State.STARTING:
            self._give_up("fault", f"the speed was not confirmed within {self.plan.speed_timeout_ns / 1e9:g} s")
        elif self.state is State.STOPPING:
            self._end("may still be turning")

    # ---- the life cycle

    def _go(self, trigger: str, detail: str = "") -> None:
        target = TRANSITIONS[self.state, trigger]
        self._effects.append(Moved(self._t, self.state.value, trigger, target.value, detail))
        self.state = target
        self._stage_start = self._t
        self._stage = None
        {
            State.TEMPERING: self._enter_tempering,
            State.SOAKING: self._enter_soaking,
            State.PRESHEARING: self._enter_preshearing,
            State.RESTING: self._enter_resting,
            State.STARTING: self._enter_starting,
            State.MEASURING: self._enter_measuring,
            State.STOPPING: lambda: self._enter_stopping(trigger, detail),
            State.ENDED: lambda: None,
        }[target]()

    def _operator(self, event: OperatorCommand) -> None:
        if event.what == "begin" and self.state is State.READY:
            self._began = self._facts.began = event.t
            for exchange in self.exchanges.values():
                if exchange.up:
                    exchange.start_polling(event.t)
            down = [name for name, x in self.exchanges.items() if not x.up]
            if self.lead in down:
                self._give_up("link lost", f"{self.lead} is not connected")
                return
            self._go("begin", event.who)
        elif event.what == "stop" and self.state in ACTIVE | {State.READY}:
            self._give_up("stopped by a person", event.who)

    def _enter_tempering(self) -> None:
        c = self.plan.conditioning
        if c.bath is not None:
            self._ask("bath", c.bath)
        if not c.signal:
            self._go("in band")
            return
        rule = Rule("between", f"{c.signal} in band", c.signal, c.low, c.high, hold=Extent(c.hold_ns))
        self._stage = StopRule(rule)
        self.clock = Clock(start=self._t, floor=self._t)

    def _enter_soaking(self) -> None:
        if not self.plan.conditioning.soak_ns:
            self._go("soaked")

    def _enter_preshearing(self) -> None:
        c = self.plan.conditioning
        if c.preshear_speed is None:
            self._go("sheared")
            return
        self._turn(c.preshear_speed)

    def _enter_resting(self) -> None:
        if not self.plan.conditioning.rest_ns:
            self._go("rested")

    def _enter_starting(self) -> None:
        speed = self.plan.steps[self.step_number].speed
        if speed is None:
            self._go("at speed")
            return
        self._turn(speed)

    def _enter_measuring(self) -> None:
        step = self.plan.steps[self.step_number]
        floor = NEVER if step.settle.revolutions else self._t + step.settle.ns
        self.clock = Clock(start=self._t, floor=floor, now=self._t)
        for columns in self.columns.values():
            columns.clear()
        self._stop = StopRule(step.stop)
        self._events = [(k, StopRule(k.event)) for k in step.keep if k.event is not None]
        self._intervals = [(k, 1) for k in step.keep if k.at == "every"]
        rules = [self._stop, *(r for _, r in self._events)]
        signals = dict.fromkeys(s for r in rules for s in r.by_signal if s in self._getters[self.lead])
        self._watched = [(s, self._getters[self.lead][s]) for s in signals]

    def _enter_stopping(self, trigger: str, detail: str) -> None:
        if trigger in ("link lost", "fault", "stopped by a person"):
            self._facts.reason = detail
        else:
            self._facts.reason = f"{detail}"
        self._facts.outcome = OUTCOMES[trigger]
        self._concluded = True
        self._effects.append(Concluded(self._t, self.facts()))
        lead = self.exchanges[self.lead]
        if not self.moved:
            self._end("not moved")
        elif not lead.up:
            self._end("may still be turning")
        else:
            lead.drop_queue()
            self._halt(first=True)

    def _give_up(self, trigger: str, detail: str) -> None:
        if self.state in ACTIVE or self.state is State.READY:
            self._go(trigger, detail)

    def _end(self, motor: str) -> None:
        self.motor = motor
        self._go("motor known", motor)
        for exchange in self.exchanges.values():
            exchange.stop_polling()
        self._effects.append(Ended(self._t, motor))

    def facts(self) -> Facts:
        """What the run came to so far: what `conclude` looks at."""
        facts = self._facts
        facts.now = self._t
        facts.counters = {
            name: {**x.report(), **({"repeats": self.repeats} if name == self.lead else {})}
            for name, x in self.exchanges.items()
        }
        return facts

    def _note(self, code: str, text: str) -> None:
        noted = Noted(self._t, code, text)
        self._facts.notes.append(noted)
        self._effects.append(noted)

    # ---- links and requests

    def _send(self, link: str, data: bytes) -> None:
        self._effects.append(Send(link, data))

    def _ask(self, action: Action, value: float | None = None, *, first: bool = False) -> None:
        try:
            request = self.drivers[self.lead].action(action, value)
        except DriverError as error:
            self._give_up("fault", str(error))
            return
        self.exchanges[self.lead].ask(self._t, request, first=first)

    def _turn(self, speed: float) -> None:
        self._acked = set()
        self._ask("speed", speed)
        if not self.turning and self.state in ACTIVE:
            self.moved = True
            self._ask("turn")
            self.turning = True

    def _halt(self, *, first: bool = False) -> None:
        self._acked.discard("halt")
        self._ask("halt", first=first)

    def _request_failed(self, link: str, request: Request, reason: str) -> None:
        if link == self.lead and request.expects == "halt":
            self._note("stop_unanswered", f"{link}: the stop was not confirmed ({reason}); it is sent again")
            self.exchanges[link].ask(self._t, request, first=True)
        elif request.expects != "reading":
            self._note("refused", f"{link}: {request.expects}: {reason}")
            if link == self.lead:
                self._give_up("fault", f"{link} did not do '{request.expects}': {reason}")

    def _link_down(self, event: LinkDown) -> None:
        self.exchanges[event.link].link_down()
        self._note("link_down", f"{event.link}: {event.reason}")
        if event.link != self.lead:
            return
        if self.state is State.STOPPING:
            self._end("may still be turning")
        else:
            self._give_up("link lost", f"{event.link}: {event.reason}")

    def _silent(self, t: int, exchange: Exchange) -> None:
        seconds = exchange.driver.stale_after_ns / 1e9
        self._note("silent", f"{exchange.name} has not answered for {seconds:g} s")
        self.clock.now = t
        for channel in self.drivers[exchange.name].channels:
            signal = channel.name if exchange.name == self.lead else f"{exchange.name}.{channel.name}"
            self.latest[signal] = None
            for rule in self._rules():
                rule.see(signal, None, self.clock)

    def _rules(self) -> list[StopRule]:
        if self.state is State.TEMPERING and self._stage is not None:
            return [self._stage]
        if self.state is State.MEASURING and self._stop is not None:
            return [self._stop, *(r for _, r in self._events)]
        return []

    # ---- readings

    def _receive(self, event: Received) -> None:
        t = self._t = event.t
        items = self.exchanges[event.link].receive(t, event.data)
        if event.link == self.lead:
            for item in items:
                if type(item) is Reply:
                    self._reply(item)
                else:
                    self._lead_reading(t, item)  # type: ignore[arg-type]  # not a Reply
        else:
            for item in items:
                if type(item) is not Reply:
                    self._companion_reading(t, event.link, item)  # type: ignore[arg-type]

    def _reply(self, reply: Reply) -> None:
        self._acked.add(reply.kind)

    def _lead_reading(self, t: int, item: tuple[float, ...] | Values) -> None:
        refresh = self.drivers[self.lead].refresh_ns
        raw: Sequence[float | None] = item if type(item) is tuple else item.values  # type: ignore[union-attr]
        if refresh and raw == self._last_values and t - self._last_t < refresh:
            self.repeats += 1
            return
        item = self._checked(item)
        values: Sequence[float | None] = item if type(item) is tuple else item.values  # type: ignore[union-attr]
        turned = 0.0
        if self._speed_at >= 0:
            speed = values[self._speed_at]
            if speed is None:
                self._last_speed = 0.0
            else:
                speed = abs(speed)
                gap = t - self._last_t
                if gap < self.drivers[self.lead].stale_after_ns:
                    turned = (self._last_speed + speed) * gap / 120e9
                self._last_speed = speed
        self._last_t, self._last_values = t, raw
        if self.state is State.MEASURING:
            self._measure(t, item, values, turned)
        else:
            self._between_steps(t, values)

    def _checked(self, item: tuple[float, ...] | Values) -> tuple[float, ...] | Values:
        """The reading with everything that is not finite, saturated or out of range named."""
        if type(item) is tuple:
            total = 0.0
            for (_, low, high), value in zip(self._ranges, item, strict=True):
                total += value
                if not low <= value <= high:
                    return self._faulty(Values(item, ()))
            if total - total != 0.0 or (self._torque_at >= 0 and abs(item[self._torque_at]) >= self._limit):
                return self._faulty(Values(item, ()))
            return item
        return self._faulty(item)  # type: ignore[arg-type]

    def _faulty(self, item: Values) -> Values:
        values = list(item.values)
        faults = list(item.faults)
        for i, (name, low, high) in enumerate(self._ranges):
            value = values[i]
            if value is None:
                continue
            if value - value != 0.0:
                values[i] = None
                faults.append((name, "not_a_number"))
            elif i == self._torque_at and abs(value) >= self._limit:
                values[i] = None
                faults.append((name, "saturated"))
            elif not low <= value <= high:
                faults.append((name, "beyond_range"))
        for _, fault in faults:
            if fault == "keys_used" and not any(n.code == "keys_used" for n in self._facts.notes):
                self._note("keys_used", "the instrument's own keys were used during the run")
        return Values(tuple(values), tuple(dict.fromkeys(faults)))

    def _measure(
        self, t: int, item: tuple[float, ...] | Values, values: Sequence[float | None], turned: float
    ) -> None:
        clock, columns = self.clock, self.columns[self.lead]
        clock.now = t
        clock.readings += 1
        clock.revolutions = revolutions = clock.revolutions + turned
        if type(item) is tuple:
            columns.times.append(t)
            columns.revolutions.append(revolutions)
            for column, value in zip(columns.values, item, strict=True):
                column.append(value + 0.0)  # -0.0 becomes 0.0
        else:
            columns.add_faulty(t, revolutions, item)  # type: ignore[arg-type]
        if clock.floor == NEVER and revolutions >= self.plan.steps[self.step_number].settle.revolutions:
            clock.floor = t
        stop = self._stop
        if stop is None:
            return
        for signal, get in self._watched:
            value = get(values)
            stop.see(signal, value, clock)
            for _, rule in self._events:
                rule.see(signal, value, clock)
        self._judge(t)

    def _judge(self, t: int) -> None:
        """Look at all rules after something changed at `t`."""
        stop, clock = self._stop, self.clock
        if stop is None:
            return
        for rule in (stop, *(r for _, r in self._events)):
            by_signal = rule.by_signal
            if "readings" in by_signal:
                rule.see("readings", float(clock.readings), clock)
            if "revolutions" in by_signal:
                rule.see("revolutions", clock.revolutions, clock)
            if "elapsed" in by_signal:
                rule.see("elapsed", (t - clock.start) / 1e9, clock)
            for leaf in rule.steady:
                leaf.judge_steadiness(clock, self._window)
        for i, (keep, k) in enumerate(self._intervals):
            turns = keep.every.revolutions
            if turns and clock.revolutions >= k * turns:
                self._keep(keep, t)
                self._intervals[i] = (keep, int(clock.revolutions / turns) + 1)
        for pair in list(self._events):
            met = pair[1].met()
            if met is not None:
                self._events.remove(pair)
                self._keep(pair[0], t, met.name)
        met = stop.met()
        if met is not None:
            self._step_over(t, met)

    def _measuring_due(self, t: int) -> None:
        clock = self.clock
        clock.now = t
        for i, (keep, k) in enumerate(self._intervals):
            if keep.every.ns and t >= clock.start + k * keep.every.ns:
                self._keep(keep, clock.start + k * keep.every.ns)
                self._intervals[i] = (keep, k + 1)
        if self._stop is not None and t >= self._stop.due(clock):
            self._judge(t)
        if self.state is State.MEASURING and t >= self._step_deadline():
            longest = self.plan.steps[self.step_number].longest_ns / 1e9
            self._give_up("fault", f"no stop rule was met within {longest:g} s")

    def _window(self, signal: str, start: int, end: int) -> tuple[Sequence[int], Sequence[float]]:
        """Times and values of a signal of the lead instrument or a companion, nulls left out."""
        link, _, channel = signal.rpartition(".")
        if link:
            columns = self.columns[link]
            times, (values,) = columns.clean(columns.between(start, end), [channel])
            return times, values
        columns = self.columns[self.lead]
        span = columns.between(start, end)
        times, rows = columns.clean(span, columns.channels)
        if signal in columns.channels:
            return times, rows[columns.channels.index(signal)]
        get = self._getters[self.lead][signal]
        values_: list[float] = []
        kept: list[int] = []
        for t, row in zip(times, zip(*rows, strict=True), strict=True):
            value = get(row)
            if value is not None:
                kept.append(t)
                values_.append(value)
        return kept, values_

    def _keep(self, keep: Keep, t: int, rule: str = "") -> None:
        kept = take(self.plan, self.step_number, keep, t, self.clock, self.columns, self.drivers, rule)
        self._facts.kept.append(kept)
        self._effects.append(kept)

    def provisional(self, t: int) -> Kept | None:
        """The value the step would give if it ended at `t`, for a screen; None before the first reading."""
        if self.state is not State.MEASURING or not self.columns[self.lead].times:
            return None
        keep = self.plan.steps[self.step_number].keep[-1]
        return take(self.plan, self.step_number, keep, t, self.clock, self.columns, self.drivers)

    def _step_over(self, t: int, met: Met) -> None:
        step = self.plan.steps[self.step_number]
        for keep, k in self._intervals:
            if keep.keep_part and keep.every.ns and t > self.clock.start + (k - 1) * keep.every.ns:
                self._keep(keep, t)
        for keep in step.keep:
            if keep.at == "end":
                self._keep(keep, t)
        for keep, rule in self._events:
            self._note("threshold_not_met", f"step {step.name}: {rule.rule.name} did not happen; no value was taken")
            del keep
        ended = StepEnded(
            t, self.step_number, self.clock.start, met.name, met.value, self.clock.readings, self.clock.revolutions
        )
        self._facts.steps.append(ended)
        self._effects.append(ended)
        self._stop = None
        if self.step_number + 1 < len(self.plan.steps):
            self.step_number += 1
            self._go("rule met", met.name)
        else:
            self._go("last rule met", met.name)

    def _between_steps(self, t: int, values: Sequence[float | None]) -> None:
        """A reading of the lead instrument while nothing is measured: temperature, speed reached, motor at rest."""
        if self.state is State.TEMPERING and self._stage is not None:
            self._temper(t, {n: get(values) for n, get in self._getters[self.lead].items()})
            return
        if self._speed_at < 0:
            return
        speed = values[self._speed_at]
        if speed is None:
            return
        if self.state is State.STARTING:
            target = self.plan.steps[self.step_number].speed
            off = max(self.plan.speed_tolerance * abs(target or 0.0), STILL)
            if target is not None and "speed" in self._acked and abs(speed - target) <= off:
                self._go("at speed")
        elif self.state is State.PRESHEARING and not self.turning and "halt" in self._acked and abs(speed) < STILL:
            self._go("sheared")
        elif self.state is State.STOPPING and "halt" in self._acked and abs(speed) < STILL:
            self.turning = False
            self._end("still")

    def _temper(self, t: int, signals: Mapping[str, float | None]) -> None:
        stage = self._stage
        if stage is None:
            return
        self.clock.now = t
        for signal in stage.by_signal:
            if signal in signals:
                stage.see(signal, signals[signal], self.clock)
        if stage.met() is not None:
            self._go("in band")

    def _companion_reading(self, t: int, link: str, item: tuple[float, ...] | Values) -> None:
        values: Sequence[float | None] = item if type(item) is tuple else item.values  # type: ignore[union-attr]
        channels = self.columns[link].channels
        signals = {f"{link}.{c}": v for c, v in zip(channels, values, strict=True)}
        self.latest |= signals
        if self.state is State.TEMPERING:
            self._temper(t, signals)
        elif self.state is State.MEASURING:
            self.clock.now = t
            clean = any(v is None or v - v != 0.0 for v in values)
            self.columns[link].add_faulty(
                t, self.clock.revolutions, item if type(item) is Values else Values(tuple(values), ())
            )
            del clean
            for signal, value in signals.items():
                for rule in self._rules():
                    rule.see(signal, value, self.clock)
            self._judge(t)
