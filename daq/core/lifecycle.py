"""The life of one run: its states, what each asks of the instrument, what ends it, and what it comes to.

Nothing here knows of bytes, and time comes as a number: `daq.core.pipeline` brings both.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from daq.core.derive import getters
from daq.core.driver import Action, Driver, Request, Values
from daq.core.effects import Concluded, Effect, Ended, Facts, Kept, LimitReached, Moved, Noted, Send
from daq.core.errors import DriverError
from daq.core.exchange import NEVER, Exchange
from daq.core.intake import Intake
from daq.core.meter import Meter
from daq.core.plan import Extent, Plan, Rule
from daq.core.resting import Resting
from daq.core.run import ACTIVE, OUTCOMES, TRANSITIONS, State
from daq.core.seeking import Seeker
from daq.core.stop import Clock, StopRule
from daq.core.units import symbol

STILL: Final = 0.005
"""A confirmed speed (/min) below this counts as standing still; the slowest set-points are twice that."""
STOP_TIMEOUT_NS: Final = 10_000_000_000
STOP_POLL_NS: Final = 500_000_000
"""While the motor is stopped it is asked for its speed at least this often."""


class LifeCycle:
    """Where a run stands, and how it goes on.  Transitions are those of `daq.core.run`."""

    def __init__(self, plan: Plan, drivers: Mapping[str, Driver]) -> None:
        """`drivers` holds one driver for each link of the plan, by its name."""
        self.plan = plan
        self.drivers = dict(drivers)
        self.state = State.READY
        self.stage_start = 0
        """When (ns) the state was entered, or a new part of it began."""
        self.step_number = 0
        self.meter: Meter | None = None
        self.moved = False
        """Whether motion was ever asked for."""
        self.turning = False
        self.set_speed: float | None = None
        """The speed (/min) asked for last; None where nothing was."""
        self.motor = "not moved"
        """What is known of the motor at the end."""
        self.lead = plan.lead.name
        self.exchanges = {
            link.name: Exchange(link.name, drivers[link.name], self._send, self._request_failed) for link in plan.links
        }
        self._lead_exchange = self.exchanges[self.lead]
        self._getters = getters(plan.lead.channels, plan.derivations)
        self._intake = Intake(plan, drivers[self.lead])
        self._speed_at = plan.lead.channels.index(plan.speed_signal) if plan.speed_signal else -1
        # A torque at rest is looked for only where a motor may turn later.
        watched = plan.band is not None and self._speed_at >= 0
        self._torque_at = plan.lead.channels.index(plan.band.signal) if plan.band is not None and watched else -1
        self._resting = Resting()
        self._tempering = StopRule(Rule("any", "no temperature asked for"))
        self._seeker: Seeker | None = None
        self._shear_confirmed = False
        self._acked: set[str] = set()
        self._effects: list[Effect] = []
        self._facts = Facts(0, 0, "", "")
        self._t = 0

    # ---- the states

    def _go(self, trigger: str, detail: str = "") -> None:
        source, target = self.state, TRANSITIONS[self.state, trigger]
        self._effects.append(Moved(self._t, source.value, trigger, target.value, detail))
        self.state = target
        self.stage_start = self._t
        self.meter = None
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
            self._enter_starting()
        elif target is State.MEASURING:
            self.meter = Meter(self.plan, self.step_number, self._t, self.drivers, self._getters, self._kept)
        elif target is State.SEEKING and self._seeker is not None:
            plan = self._seeker.plan_of_try(self._t)
            self.meter = Meter(plan, self.step_number, self._t, self.drivers, self._getters, self._kept)
        elif target is State.STOPPING:
            self._enter_stopping(trigger, detail)

    def _enter_starting(self) -> None:
        step = self.plan.steps[self.step_number]
        if step.seek is not None and self._seeker is None:
            self._seeker = Seeker(self.plan, self.step_number)
        speed = step.speed if self._seeker is None else self._seeker.speed
        if speed is not None:
            self._turn(speed)
        elif self.turning:
            self._halt()
        else:
            self._go("at speed")

    def _begin(self, who: str) -> None:
        self._facts.began = self._t
        if not self._lead_exchange.up:
            self._give_up("link lost", f"{self.lead} is not connected")
            return
        for name, exchange in self.exchanges.items():
            if exchange.up:
                exchange.start_polling(self._t)
            else:
                self._note("link_down", f"{name}: is not connected")
        self._go("begin", who)

    def _enter_tempering(self) -> None:
        c = self.plan.conditioning
        if c.bath is not None:
            self._ask("bath", c.bath)
        if c.signal and self.state is State.TEMPERING:
            rule = Rule("between", f"{c.signal} in band", c.signal, c.low, c.high, hold=Extent(c.hold_ns))
            self._tempering = StopRule(rule)
        elif self.state is State.TEMPERING:
            self._go("in band")

    def _temper(self, t: int, signals: Mapping[str, float | None]) -> None:
        clock = Clock(start=self.stage_start, floor=self.stage_start, now=t)
        for signal in self._tempering.by_signal:
            if signal in signals:
                self._tempering.see(signal, signals[signal], clock)
        if self._tempering.by_signal and self._tempering.met() is not None:
            self._go("in band")

    def _enter_stopping(self, trigger: str, detail: str) -> None:
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

    # ---- when a state has lasted long enough

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

    # ---- readings

    def _after_measuring(self, t: int) -> None:
        """Go on if the step's rule is met; give up if the step has lasted too long."""
        meter = self.meter
        if meter is None:
            return
        if meter.met is not None:
            ended = meter.finish(t, meter.met)
            self._facts.steps.append(ended)
            self._effects.append(ended)
            for name in meter.waiting:
                self._note("threshold_not_met", f"step {meter.step.name}: {name} did not happen; no value was taken")
            if self._seeker is not None:
                self._after_try(self._seeker)
            elif self.step_number + 1 < len(self.plan.steps):
                self.step_number += 1
                self._go("rule met", ended.rule)
            else:
                self._go("last rule met", ended.rule)
        elif t >= meter.deadline:
            longest = self.plan.steps[self.step_number].longest_ns
            self._give_up("fault", f"no stop rule was met within {longest / 1e9:g} s")

    def _after_try(self, seeker: Seeker) -> None:
        """Another speed, or the end: the torque is where it should be, or no speed is left to try."""
        seeker.take(self._facts.kept[-1])
        if seeker.on_target:
            self._go("torque on target", seeker.said)
        elif seeker.speed is not None:
            self._go("torque off target", seeker.said)
        else:
            self._give_up("fault", seeker.said)

    def _at_limit(self, checked: Values) -> bool:
        return self.plan.band is not None and (self.plan.band.signal, "saturated") in checked.faults

    def _limit_reached(self, t: int, item: tuple[float, ...] | Values, checked: Values) -> None:
        """A torque at or beyond its limit while the motor turns: stop it at once, and end the run."""
        band = self.plan.band
        if self.state not in ACTIVE or band is None:
            return
        raw = item.values if isinstance(item, Values) else item
        torque = raw[self.plan.lead.channels.index(band.signal)]
        speed = checked.values[self._speed_at] if self._speed_at >= 0 else None
        set_speed = self.set_speed or 0.0
        self._facts.limit = LimitReached(t, self.state.value, self.step_number, set_speed, speed, torque, band.limit)
        unit = symbol(band.unit)
        read = "the sensor is at its stop" if torque is None else f"the reading is {torque:g} {unit}"
        at = "" if speed is None else f" at {speed:.4g} min⁻¹"
        self._give_up("torque limit", f"torque limit {band.limit:g} {unit}: {read}{at}")

    def _between_steps(self, t: int, values: Sequence[float | None]) -> None:
        """A reading of the lead instrument while nothing is measured: temperature, speed reached, motor at rest."""
        if self._torque_at >= 0 and not self.moved:
            turned = values[self._speed_at]
            if turned is not None and abs(turned) < STILL:
                self._resting.see(t, values[self._torque_at])
        if self.state is State.TEMPERING:
            self._temper(t, {name: get(values) for name, get in self._getters.items()})
            return
        speed = values[self._speed_at] if self._speed_at >= 0 else None
        if speed is None:
            return
        still = "halt" in self._acked and abs(speed) < STILL
        if self.state is State.STARTING:
            target = self.plan.steps[self.step_number].speed if self._seeker is None else self._seeker.speed
            if target is not None:
                if self._reached(speed, target):
                    self._go("at speed" if self._seeker is None else "at speed to try")
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

    # ---- requests

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
        self.set_speed = speed
        self._ask("speed", speed)
        if not self.turning and self.state in ACTIVE:
            if not self.moved:
                self._facts.at_rest = self._resting.summary(self._t)
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

    # ---- what it comes to

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
            moved=self.moved,
        )

    def _kept(self, kept: Kept) -> None:
        self._facts.kept.append(kept)
        self._effects.append(kept)

    def _note(self, code: str, text: str) -> None:
        noted = Noted(self._t, code, text)
        self._facts.notes.append(noted)
        self._effects.append(noted)
