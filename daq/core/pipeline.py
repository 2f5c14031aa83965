"""The heart: `step(events) -> effects`, pure, the same however the events are batched.

A `Pipeline` runs one plan once.  Its state is changed in place.  It asks for its next tick
through `wake_at`; whatever fell due before an event is done first, at the time it was due,
so lateness of the clock changes nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from daq.core.derive import getters
from daq.core.driver import Action, Driver, Reply, Request, Values
from daq.core.effects import Concluded, Effect, Ended, Facts, Kept, Moved, Noted, Send
from daq.core.errors import DriverError
from daq.core.events import Event, LinkDown, LinkUp, OperatorCommand, Received, Sent, StoreFault, Tick
from daq.core.exchange import NEVER, Exchange, Item
from daq.core.intake import Intake, Screen
from daq.core.meter import Meter
from daq.core.plan import Extent, Plan, Rule
from daq.core.run import ACTIVE, OUTCOMES, TRANSITIONS, State
from daq.core.stop import Clock, StopRule

STILL: Final = 0.005
"""A confirmed speed (/min) below this counts as standing still; the slowest set-points are twice that."""
STOP_TIMEOUT_NS: Final = 10_000_000_000
STOP_POLL_NS: Final = 500_000_000
"""While the motor is stopped it is asked for its speed at least this often."""
FEW: Final = 8
"""From so many readings of one instant on, looking at them together pays."""
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
        self.step_number = 0
        self.turning = False
        self.motor = "not moved"
        self._companions: dict[str, float | None] = {}
        self._lead_silent = True
        self.meter: Meter | None = None
        self._lead_exchange = self.exchanges[self.lead]
        self._getters = getters(plan.lead.channels, plan.derivations)
        self._intake = Intake(plan, drivers[self.lead])
        self._screens = {
            link.name: Screen(drivers[link.name].channels) for link in plan.links if link.name != self.lead
        }
        self._speed_at = plan.lead.channels.index(plan.speed_signal) if plan.speed_signal else -1
        self._effects: list[Effect] = []
        self._t = 0
        self.stage_start = 0
        self.wake_at = NEVER
        """When (ns) something falls due without any event, or `NEVER`."""
        self._tempering = StopRule(Rule("any", "no temperature asked for"))
        self.moved = False
        self._shear_confirmed = False
        self._acked: set[str] = set()
        self._facts = Facts(0, 0, "", "")

    # ---- the one way in

    def step(self, events: Iterable[Event]) -> list[Effect]:
        """Take events in the order of their times and give what follows from them, in order.

        What falls due at the very time of an event comes after it, and is done by a tick of that time or by the
        next later event: so readings of one instant may come in one chunk or in many.  After the end nothing follows.
        """
        self._effects = effects = list[Effect]()
        for event in events:
            self._advance(event.t, including=False)
            if self.state is State.ENDED:
                continue
            self._t = event.t
            if isinstance(event, Received):
                self._receive(event.t, event.link, event.data)
            elif isinstance(event, Tick):
                self._advance(event.t, including=True)
            else:
                self._take(event)
            self.wake_at = self._next_due()
        return effects

    def _take(self, event: Event) -> None:
        if isinstance(event, Sent):
            self.exchanges[event.link].sent(event.t)
        elif isinstance(event, LinkUp):
            self.exchanges[event.link].link_up(event.t)
            if self.state in ACTIVE:
                self.exchanges[event.link].start_polling(event.t)
        elif isinstance(event, LinkDown):
            self._link_down(event)
        elif isinstance(event, OperatorCommand):
            self._operator(event)
        elif isinstance(event, StoreFault):
            self._note("store_fault", event.reason)
            self._give_up("fault", f"the store cannot take readings: {event.reason}")

    # ---- time

    def _next_due(self) -> int:
        """When (ns) something falls due without any event, or `NEVER`."""
        due = NEVER
        if self.state is State.ENDED:
            return due
        for exchange in self.exchanges.values():
            due = min(due, exchange.wake_at)
        if self.state is State.MEASURING and self.meter is not None:
            due = min(due, self.meter.wake_at)
        else:
            due = min(due, self._stage_due())
        if self._lead_exchange.silent and self.state in ACTIVE:
            due = min(due, self._silence_deadline())
        return due

    def _advance(self, t: int, *, including: bool) -> None:
        """Do everything that fell due before `t` (`including`: or at it), each at its own time."""
        while (due := self.wake_at) < t or (including and due == t):
            self._t = max(self._t, due)
            self._due(self._t)
            self.wake_at = self._next_due()

    def _due(self, t: int) -> None:
        for exchange in self.exchanges.values():
            was_silent = exchange.silent
            if exchange.wake_at <= t:
                exchange.tick(t)
            if exchange.silent and not was_silent:
                self._silent(t, exchange)
        if self._lead_exchange.silent and self.state in ACTIVE and t >= self._silence_deadline():
            self._give_up("link lost", "the instrument does not answer any more")
        if self.state is State.MEASURING and self.meter is not None:
            if t >= self.meter.wake_at:
                self.meter.due(t)
                self._after_measuring(t)
        elif t >= self._stage_due():
            self._stage_over()

    def _silence_deadline(self) -> int:
        exchange = self._lead_exchange
        return exchange.last_reading_t + SILENCES_TO_GIVE_UP * exchange.stale_after_ns

    def _stage_due(self) -> int:
        c, start = self.plan.conditioning, self.stage_start
        if self.state is State.TEMPERING:
            return start + c.longest_ns
        if self.state is State.SOAKING:
            return start + c.soak_ns
        if self.state is State.PRESHEARING:
            if not self.turning:
                return start + STOP_TIMEOUT_NS
            return start + (c.preshear_ns if self._shear_confirmed else self.plan.speed_timeout_ns)
        if self.state is State.RESTING:
            return start + c.rest_ns
        if self.state is State.STARTING:
            return start + self.plan.speed_timeout_ns
        if self.state is State.STOPPING:
            return start + STOP_TIMEOUT_NS
        return NEVER

    def _stage_over(self) -> None:
        c = self.plan.conditioning
        if self.state is State.TEMPERING:
            band = f"{c.low:g} to {c.high:g}"
            self._give_up("fault", f"{c.signal} did not stay within {band} in {c.longest_ns / 1e9:g} s")
        elif self.state is State.SOAKING:
            self._go("soaked")
        elif self.state is State.RESTING:
            self._go("rested")
        elif self.state is State.STARTING:
            self._no_speed()
        elif self.state is State.STOPPING:
            self._end("may still be turning")
        else:
            self._shear_over()

    def _shear_over(self) -> None:
        c = self.plan.conditioning
        if not self.turning:
            self._give_up("fault", "the motor did not come to rest after the pre-shear")
        elif self._shear_confirmed:
            self._note("sheared", f"pre-sheared for {c.preshear_ns / 1e9:g} s at {c.preshear_speed:g} /min")
            self.turning = False
            self.stage_start = self._t
            self._halt()
        else:
            self._no_speed()

    def _no_speed(self) -> None:
        self._give_up("fault", f"the speed was not confirmed within {self.plan.speed_timeout_ns / 1e9:g} s")

    # ---- the life cycle

    def _go(self, trigger: str, detail: str = "") -> None:
        source, target = self.state, TRANSITIONS[self.state, trigger]
        self._effects.append(Moved(self._t, source.value, trigger, target.value, detail))
        self.state = target
        self.stage_start = self._t
        if target is State.TEMPERING:
            self._enter_tempering()
        elif target is State.SOAKING:
            if not self.plan.conditioning.soak_ns:
                self._go("soaked")
        elif target is State.PRESHEARING:
            if self.plan.conditioning.preshear_speed is None:
                self._go("sheared")
            else:
                self._shear_confirmed = False
                self._turn(self.plan.conditioning.preshear_speed)
        elif target is State.RESTING:
            if not self.plan.conditioning.rest_ns:
                self._go("rested")
        elif target is State.STARTING:
            speed = self.plan.steps[self.step_number].speed
            if speed is not None:
                self._turn(speed)
            elif self.turning:
                self._halt()
            else:
                self._go("at speed")
        elif target is State.MEASURING:
            self.meter = Meter(self.plan, self.step_number, self._t, self.drivers, self._getters, self._kept)
        elif target is State.STOPPING:
            self._enter_stopping(trigger, detail)

    def _operator(self, event: OperatorCommand) -> None:
        if event.what == "begin" and self.state is State.READY:
            self._facts.began = event.t
            if not self._lead_exchange.up:
                self._give_up("link lost", f"{self.lead} is not connected")
                return
            for name, exchange in self.exchanges.items():
                if exchange.up:
                    exchange.start_polling(event.t)
                else:
                    self._note("link_down", f"{name}: is not connected")
            self._go("begin", event.who)
        elif event.what == "stop":
            self._give_up("stopped by a person", event.who)

    def _enter_tempering(self) -> None:
        c = self.plan.conditioning
        if c.bath is not None:
            self._ask("bath", c.bath)
        if c.signal and self.state is State.TEMPERING:
            rule = Rule("between", f"{c.signal} in band", c.signal, c.low, c.high, hold=Extent(c.hold_ns))
            self._tempering = StopRule(rule)
        elif self.state is State.TEMPERING:
            self._go("in band")

    def _enter_stopping(self, trigger: str, detail: str) -> None:
        self.meter = None
        self._facts.outcome, self._facts.reason = OUTCOMES[trigger], detail
        self._facts.began = self._facts.began or self._t
        # Counters may be ahead of the reading that ended the run, by what came in the same chunk.
        self._effects.append(Concluded(self._t, replace(self.facts(), counters={})))
        if not self.moved:
            self._end("not moved")
        elif not self._lead_exchange.up:
            self._end("may still be turning")
        else:
            self._lead_exchange.drop_queue()
            self._lead_exchange.poll_faster(self._t, STOP_POLL_NS)
            self._halt()

    def _give_up(self, trigger: str, detail: str) -> None:
        if self.state in ACTIVE or self.state is State.READY:
            self._go(trigger, detail)

    def _end(self, motor: str) -> None:
        self.motor = motor
        self._go("motor known", motor)
        for exchange in self.exchanges.values():
            exchange.stop_polling()
        self._effects.append(Ended(self._t, motor))

    def signals(self) -> dict[str, float | None]:
        """The latest value of every signal, None where there is none; for screens."""
        last = self._intake.last
        values: Sequence[float | None] = last.values if isinstance(last, Values) else last
        if self._lead_silent or not values:
            return dict.fromkeys(self._getters) | self._companions
        return {name: get(values) for name, get in self._getters.items()} | self._companions

    def faults(self) -> tuple[str, ...]:
        """What is amiss with the latest reading of the lead instrument."""
        last = self._intake.last
        if self._lead_silent:
            return ("silent",)
        return tuple(fault for _, fault in last.faults) if isinstance(last, Values) else ()

    def progress(self, now: int) -> list[dict[str, object]]:
        """How near each condition that the run waits for is at `now` (ns), for a screen."""
        signals = self.signals()
        if self.meter is not None:
            return self.meter.progress(signals, now)
        if self.state is not State.TEMPERING:
            return []
        clock = Clock(start=self.stage_start, floor=self.stage_start, now=now)
        return [leaf.progress(clock, signals.get(leaf.rule.signal)) for leaf in self._tempering.leaves]

    def facts(self) -> Facts:
        """What the run came to so far, as it stands now: what `conclude` looks at."""
        facts = self._facts
        counters = {name: exchange.report() for name, exchange in self.exchanges.items()}
        counters[self.lead]["repeats"] = self._intake.repeats
        return replace(
            facts,
            now=self._t,
            steps=list(facts.steps),
            kept=list(facts.kept),
            notes=list(facts.notes),
            counters=counters,
        )

    def _kept(self, kept: Kept) -> None:
        self._facts.kept.append(kept)
        self._effects.append(kept)

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
        self._lead_exchange.ask(self._t, request, first=first)

    def _turn(self, speed: float) -> None:
        self._acked.clear()
        self._ask("speed", speed)
        if not self.turning and self.state in ACTIVE:
            self.moved = self.turning = True
            self._ask("turn")

    def _halt(self) -> None:
        self._acked.discard("halt")
        self._ask("halt", first=True)

    def _request_failed(self, link: str, request: Request, reason: str) -> None:
        if request.expects == "reading":
            return
        self._note("refused", f"{link}: '{request.expects}': {reason}")
        if link != self.lead:
            return
        if self.state is State.STOPPING:
            if request.expects == "halt":
                self._lead_exchange.ask(self._t, request, first=True)  # until the stop's own time is over
        else:
            self._give_up("fault", f"{link} did not do '{request.expects}': {reason}")

    def _link_down(self, event: LinkDown) -> None:
        self.exchanges[event.link].link_down()
        self._note("link_down", f"{event.link}: {event.reason}")
        if event.link != self.lead:
            self._null(event.t, event.link)
        elif self.state is State.STOPPING:
            self._end("may still be turning")
        else:
            self._give_up("link lost", f"{event.link}: {event.reason}")

    def _silent(self, t: int, exchange: Exchange) -> None:
        seconds = exchange.stale_after_ns / 1e9
        self._note("silent", f"{exchange.name} has not answered for {seconds:g} s")
        self._null(t, exchange.name)

    def _null(self, t: int, link: str) -> None:
        """The signals of a link have no value any more: screens show none, holds are broken."""
        prefix = "" if link == self.lead else f"{link}."
        signals = [prefix + c.name for c in self.drivers[link].channels]
        if link == self.lead:
            self._lead_silent = True
        else:
            self._companions |= dict.fromkeys(signals)
        if self.state is State.MEASURING and self.meter is not None:
            self.meter.null(t, signals)
        elif self.state is State.TEMPERING:
            self._temper(t, dict.fromkeys(signals))

    # ---- readings

    def _receive(self, t: int, link: str, data: bytes) -> None:
        items = self.exchanges[link].receive(t, data)
        if link != self.lead:
            for item in items:
                if not isinstance(item, Reply):
                    self._companion_reading(t, link, item)
        elif isinstance(items, list) and len(items) > FEW:
            self._lead_item(t, items[0])
            if not self._rest_at_once(t, items[1:]):
                for item in items[1:]:
                    self._lead_item(t, item)
        else:
            for item in items:
                self._lead_item(t, item)

    def _lead_item(self, t: int, item: Item) -> None:
        if isinstance(item, Reply):
            self._acked.add(item.kind)
            return
        taken = self._intake.take(t, item)
        if taken is None:
            return
        checked, turned = taken
        self._lead_silent = False
        if self._intake.keys_used:
            self._intake.keys_used = False
            self._note("keys_used", "the instrument's own keys were used")
        if self.state is State.MEASURING and self.meter is not None:
            self.meter.reading(t, checked, turned)
            if self.meter.met is not None:
                self._after_measuring(t)
        else:
            self._between_steps(t, checked.values if isinstance(checked, Values) else checked)

    def _rest_at_once(self, t: int, items: Sequence[Item]) -> bool:
        """Take all further readings of one instant (none has a fault) together, where that cannot change anything."""
        meter = self.meter
        if self.state is not State.MEASURING or meter is None or not meter.plain or meter.clock.now != t:
            return False
        rows: list[tuple[float, ...]] = list(items)  # type: ignore[arg-type]  # a list of `receive` holds nothing else
        if not self._intake.take_clean(t, rows):
            return False
        meter.many(t, rows)
        return True

    def _companion_reading(self, t: int, link: str, item: tuple[float, ...] | Values) -> None:
        item = self._screens[link].check(item)
        values: Sequence[float | None] = item.values if isinstance(item, Values) else item
        names = [c.name for c in self.drivers[link].channels]
        signals = {f"{link}.{c}": v for c, v in zip(names, values, strict=True)}
        self._companions |= signals
        if self.state is State.MEASURING and self.meter is not None:
            self.meter.companion(t, link, item)
            if self.meter.met is not None:
                self._after_measuring(t)
        elif self.state is State.TEMPERING:
            self._temper(t, signals)

    def _after_measuring(self, t: int) -> None:
        """Go on if the step's rule is met; give up if the step has lasted too long."""
        meter = self.meter
        if meter is None or self.state is not State.MEASURING:
            return
        if meter.met is not None:
            ended = meter.finish(t, meter.met)
            self._facts.steps.append(ended)
            self._effects.append(ended)
            for name in meter.waiting:
                self._note("threshold_not_met", f"step {meter.step.name}: {name} did not happen; no value was taken")
            if self.step_number + 1 < len(self.plan.steps):
                self.step_number += 1
                self._go("rule met", ended.rule)
            else:
                self._go("last rule met", ended.rule)
        elif t >= meter.deadline:
            self._give_up("fault", f"no stop rule was met within {meter.step.longest_ns / 1e9:g} s")

    def _between_steps(self, t: int, values: Sequence[float | None]) -> None:
        """A reading of the lead instrument while nothing is measured: temperature, speed reached, motor at rest."""
        if self.state is State.TEMPERING:
            self._temper(t, {name: get(values) for name, get in self._getters.items()})
            return
        speed = values[self._speed_at] if self._speed_at >= 0 else None
        if speed is None:
            return
        still = "halt" in self._acked and abs(speed) < STILL
        if self.state is State.STARTING:
            target = self.plan.steps[self.step_number].speed
            if target is not None:
                if self._reached(speed, target):
                    self._go("at speed")
            elif still:
                self.turning = False
                self._go("at speed")
        elif self.state is State.PRESHEARING:
            if not self.turning:
                if still:
                    self._go("sheared")
            elif not self._shear_confirmed and self._reached(speed, self.plan.conditioning.preshear_speed or 0.0):
                self._shear_confirmed = True
                self.stage_start = self._t
        elif self.state is State.STOPPING and still:
            self.turning = False
            self._end("still")

    def _reached(self, speed: float, target: float) -> bool:
        off = max(self.plan.speed_tolerance * abs(target), STILL)
        return "speed" in self._acked and abs(speed - target) <= off

    def _temper(self, t: int, signals: Mapping[str, float | None]) -> None:
        clock = Clock(start=self.stage_start, floor=self.stage_start, now=t)
        for signal in self._tempering.by_signal:
            if signal in signals:
                self._tempering.see(signal, signals[signal], clock)
        if self._tempering.by_signal and self._tempering.met() is not None:
            self._go("in band")
