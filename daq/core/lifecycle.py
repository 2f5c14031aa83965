"""The life of one run: its states, what each asks of the instrument, and what ends it.

Nothing here knows of bytes, and time comes as a number: `daq.core.pipeline` brings both.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from daq.core.derive import Getter
from daq.core.driver import Action, Driver, Values
from daq.core.effects import Concluded, Effect, Ended, Facts, Identified, Kept, LimitReached, Moved, Noted
from daq.core.errors import DriverError
from daq.core.framing import NEVER
from daq.core.link import STILL, STOP_NS, Checked, Link, RequestFailed, TorqueAtRest
from daq.core.linkstates import IdentityCheck, LinkState, Motor
from daq.core.meter import Meter
from daq.core.plan import Extent, Plan, Rule
from daq.core.resting import Resting
from daq.core.run import ACTIVE, OUTCOMES, TRANSITIONS, State
from daq.core.seeking import Seeker
from daq.core.stop import Clock, StopRule
from daq.core.units import symbol

IDENTIFY_NS: Final = 2_000_000_000
"""At the end of a run the result waits this long for the instruments to say who they are."""
REST_SHARE: Final = 0.2
"""A torque at rest that is off its zero by more than this share of the lowest usable torque is warned of."""


class LifeCycle:
    """The state of one run.  Transitions are those of `daq.core.run`.

    Attributes:
        state: one of `State`.
        stage_start: when (ns) the state was entered, or a new part of it began.
        step_number: index of the step in the plan.
        meter: watches the step while it is measured; None otherwise.
        moved: whether motion was ever asked for.
        turning: whether a set-point other than standstill was asked for last.
        set_speed: the speed (/min) asked for last; None before.
        now: the time (ns) at which everything happens; its owner sets it before each call.
    """

    def __init__(
        self,
        plan: Plan,
        links: Mapping[str, Link],
        signals: Mapping[str, Getter],
        emit: Callable[[Effect], None],
    ) -> None:
        """`links` by name, the lead among them; `signals` are those of the lead instrument."""
        self.plan = plan
        self.state = State.READY
        self.stage_start = 0
        self.step_number = 0
        self.meter: Meter | None = None
        self.moved = False
        self.turning = False
        self.set_speed: float | None = None
        self.tempering = StopRule(Rule("any", "no temperature asked for"))
        self._links = links
        self._lead = links[plan.lead.name]
        self._drivers: dict[str, Driver] = {name: link.driver for name, link in links.items()}
        self._signals = signals
        self._emit = emit
        self._speed_at = plan.lead.channels.index(plan.speed_signal) if plan.speed_signal else -1
        # A torque at rest is looked for only where a motor may turn later.
        watched = plan.band is not None and self._speed_at >= 0
        self._torque_at = plan.lead.channels.index(plan.band.signal) if plan.band is not None and watched else -1
        self._resting = Resting()
        self._seeker: Seeker | None = None
        self._facts = Facts(0, 0, "", "")
        self._frozen: Facts | None = None
        self.now = 0

    # ---- the states

    def _go(self, trigger: str, detail: str = "") -> None:  # noqa: C901, PLR0912 - one transition of the table after the other
        source, target = self.state, TRANSITIONS[self.state, trigger]
        self._emit(Moved(self.now, source.value, trigger, target.value, detail))
        self.state = target
        self.stage_start = self.now
        self.meter = None
        if target is State.TEMPERING:
            self._enter_tempering()
        elif target is State.SOAKING:
            if not self.plan.conditioning.soak_ns:
                self._go("soaked")
        elif target is State.STARTING_PRESHEAR:
            if self.plan.conditioning.preshear_speed is None:
                self._go("no pre-shear")
            else:
                self._turn(self.plan.conditioning.preshear_speed)
        elif target is State.ENDING_PRESHEAR:
            self.turning = False
            self._halt()
        elif target is State.RESTING:
            if not self.plan.conditioning.rest_ns:
                self._go("rested")
        elif target is State.STARTING:
            self._enter_starting()
        elif target is State.MEASURING:
            self._measure(self.plan)
        elif target is State.SEEKING and self._seeker is not None:
            self._measure(self._seeker.plan_of_try(self.now))
        elif target is State.STOPPING:
            self._enter_stopping(trigger, detail)
        elif target is State.CONCLUDED:
            self.settle()

    def _measure(self, plan: Plan) -> None:
        self.meter = Meter(plan, self.step_number, self.now, self._drivers, self._signals, self._kept)

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

    def begin(self, who: str, ports: Sequence[str]) -> None:
        """Ask every instrument that is connected (`ports`) who it is, then bring the sample to temperature."""
        if self.state is not State.READY:
            return
        self._facts.began = self.now
        if self._lead.name not in ports:
            self._give_up("link lost", f"{self._lead.name} is not connected")
            return
        for name in self._links:
            if name not in ports:
                self.note("link_down", f"{name}: is not connected")
        self._go("begin", who)

    def stop(self, who: str) -> None:
        """A person stops the run."""
        self._give_up("stopped by a person", who)

    def fail(self, reason: str) -> None:
        """End the run because of a fault."""
        self._give_up("fault", reason)

    def lose(self, reason: str) -> None:
        """End the run because the lead instrument is lost."""
        self._give_up("link lost", reason)

    def _enter_tempering(self) -> None:
        c = self.plan.conditioning
        if c.bath is not None:
            self._ask("bath", c.bath)
        if c.signal and self.state is State.TEMPERING:
            rule = Rule("between", f"{c.signal} in band", c.signal, c.low, c.high, hold=Extent(c.hold_ns))
            self.tempering = StopRule(rule)
        elif self.state is State.TEMPERING:
            self._go("in band")

    def temper(self, signals: Mapping[str, float | None]) -> None:
        """Look at the temperature; only while the sample is brought to it."""
        if self.state is not State.TEMPERING:
            return
        clock = Clock(start=self.stage_start, floor=self.stage_start, now=self.now)
        for signal in self.tempering.by_signal:
            if signal in signals:
                self.tempering.see(signal, signals[signal], clock)
        if self.tempering.by_signal and self.tempering.met() is not None:
            self._go("in band")

    # ---- the end

    def _enter_stopping(self, trigger: str, detail: str) -> None:
        facts = self._facts
        facts.outcome, facts.reason = OUTCOMES[trigger], detail
        facts.began = facts.began or self.now
        self._frozen = self.facts()
        lead = self._lead
        if self.moved and lead.up:
            lead.stop_motor(self.now, IDENTIFY_NS)
        for link in self._links.values():
            if link.up and not (link is lead and self.moved):
                link.identify(self.now, IDENTIFY_NS)
        self.settle()

    def settle(self) -> None:
        """Go on where every instrument has said who it is, or has had its time; end where the motor is known."""
        if self.state is State.IDENTIFYING:
            self._begin_if_identified()
        elif self.state is State.STOPPING and self._frozen is not None:
            parts = [link for link in self._links.values() if link.state is not LinkState.CLOSED]
            if any(link.identity_check is IdentityCheck.PENDING for link in parts):
                return
            identities = [Identified(link.name, link.identity_check, link.identity_said) for link in parts]
            # Counters may be ahead of the reading that ended the run, by what came in the same chunk.
            self._emit(Concluded(self.now, replace(self._frozen, identities=identities)))
            self._go("identity known")
        elif self.state is State.CONCLUDED and (motor := self.motor) is not Motor.TURNING:
            self.turning = False
            self._go("motor known", motor)
            for link in self._links.values():
                link.exchange.stop_polling()
            self._emit(Ended(self.now, motor))

    @property
    def motor(self) -> Motor:
        """State of the motor; `TURNING` also as long as its stop is not confirmed yet."""
        if not self.moved:
            return Motor.NOT_MOVED
        if self.state not in (State.STOPPING, State.CONCLUDED, State.ENDED):
            return Motor.TURNING if self.turning else Motor.STILL
        if self._lead.state is LinkState.HALTING:
            return Motor.TURNING
        return self._lead.motor if self._lead.motor is Motor.STILL else Motor.IN_DOUBT

    @property
    def torque_at_rest(self) -> TorqueAtRest | None:
        """The torque expected once the motor stands still; None where the run did not turn it."""
        if not self.moved or self._torque_at < 0 or self.plan.band is None:
            return None
        zero = 0.0 if self._facts.at_rest is None else self._facts.at_rest.mean
        return TorqueAtRest(self._torque_at, zero, REST_SHARE * self.plan.band.low)

    def _begin_if_identified(self) -> None:
        asked = [link for link in self._links.values() if link.up]
        if any(link.identity_check is IdentityCheck.PENDING for link in asked):
            return
        for link in asked:
            if link.identity_check is IdentityCheck.NO_ANSWER:
                said = f"{link.name} does not say who it is: {link.identity_said}"
                if link is self._lead:
                    self._give_up("fault", said)
                    return
                self.note("no_identity", said)
        self._go("identified")

    def another_instrument(self, link: Link) -> None:
        """Another instrument answers than the one the run started with: no value of this run can be believed."""
        if self.state in ACTIVE:
            self._give_up("another instrument", f"{link.name}: {link.identity_said}")

    def _give_up(self, trigger: str, detail: str) -> None:
        if self.state in ACTIVE or self.state is State.READY:
            self._go(trigger, detail)

    # ---- when a state has lasted long enough

    @property
    def wake_at(self) -> int:
        """When (ns) the state has lasted long enough, or something is due in the step; `NEVER` where nothing is."""
        if self.meter is not None:
            return self.meter.wake_at
        c, start = self.plan.conditioning, self.stage_start
        if self.state is State.TEMPERING:
            return start + c.longest_ns
        if self.state is State.SOAKING:
            return start + c.soak_ns
        if self.state is State.PRESHEARING:
            return start + c.preshear_ns
        if self.state is State.ENDING_PRESHEAR:
            return start + STOP_NS
        if self.state is State.RESTING:
            return start + c.rest_ns
        if self.state in (State.STARTING, State.STARTING_PRESHEAR):
            return start + self.plan.speed_timeout_ns
        return NEVER

    def due(self) -> None:
        """Do what is due now."""
        if self.meter is not None:
            self.meter.due(self.now)
            self.after_measuring()
            return
        c = self.plan.conditioning
        if self.state is State.TEMPERING:
            band = f"{c.low:g} to {c.high:g}"
            self._give_up("fault", f"{c.signal} did not stay within {band} in {c.longest_ns / 1e9:g} s")
        elif self.state is State.SOAKING:
            self._go("soaked")
        elif self.state is State.PRESHEARING:
            self.note("sheared", f"pre-sheared for {c.preshear_ns / 1e9:g} s at {c.preshear_speed:g} /min")
            self._go("sheared")
        elif self.state is State.ENDING_PRESHEAR:
            self._give_up("fault", "the motor did not come to rest after the pre-shear")
        elif self.state is State.RESTING:
            self._go("rested")
        elif self.state in (State.STARTING, State.STARTING_PRESHEAR):
            self._give_up("fault", f"the speed was not confirmed within {self.plan.speed_timeout_ns / 1e9:g} s")

    # ---- readings

    def reading(self, checked: Checked, turned: float) -> None:
        """Take a checked reading of the lead instrument, and the revolutions since the one before."""
        if self.turning and isinstance(checked, Values) and self._at_limit(checked):
            self._limit_reached(checked)
        if self.meter is not None:
            self.meter.reading(self.now, checked, turned)
            if self.meter.met is not None:
                self.after_measuring()
        else:
            self._between_steps(checked.values if isinstance(checked, Values) else checked)

    def companion(self, name: str, checked: Checked, signals: Mapping[str, float | None]) -> None:
        """Take a checked reading of a companion."""
        if self.meter is not None:
            self.meter.companion(self.now, name, checked)
            if self.meter.met is not None:
                self.after_measuring()
        else:
            self.temper(signals)

    def null(self, signals: Sequence[str]) -> None:
        """These signals have no value any more: holds are broken."""
        if self.meter is not None:
            self.meter.null(self.now, signals)
        else:
            self.temper(dict.fromkeys(signals))

    def after_measuring(self) -> None:
        """Go on if the step's rule is met; give up if the step has lasted too long."""
        meter, t = self.meter, self.now
        if meter is None:
            return
        if meter.met is not None:
            ended = meter.finish(t, meter.met)
            self._facts.steps.append(ended)
            self._emit(ended)
            for name in meter.waiting:
                self.note("threshold_not_met", f"step {meter.step.name}: {name} did not happen; no value was taken")
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

    def _limit_reached(self, checked: Values) -> None:
        """A torque at or beyond its limit while the motor turns: stop it at once, and end the run."""
        band = self.plan.band
        if self.state not in ACTIVE or band is None:
            return
        torque = self._lead.intake.raw[self.plan.lead.channels.index(band.signal)]
        speed = checked.values[self._speed_at] if self._speed_at >= 0 else None
        set_speed = self.set_speed or 0.0
        self._facts.limit = LimitReached(
            self.now, self.state.value, self.step_number, set_speed, speed, torque, band.limit
        )
        unit = symbol(band.unit)
        read = "the sensor is at its stop" if torque is None else f"the reading is {torque:g} {unit}"
        at = "" if speed is None else f" at {speed:.4g} min⁻¹"
        self._give_up("torque limit", f"torque limit {band.limit:g} {unit}: {read}{at}")

    def _between_steps(self, values: Sequence[float | None]) -> None:
        """A reading of the lead instrument while nothing is measured: temperature, speed reached, motor at rest."""
        if self._torque_at >= 0 and not self.moved:
            turned = values[self._speed_at]
            if turned is not None and abs(turned) < STILL:
                self._resting.see(self.now, values[self._torque_at])
        if self.state is State.TEMPERING:
            self.temper({name: get(values) for name, get in self._signals.items()})
            return
        speed = values[self._speed_at] if self._speed_at >= 0 else None
        if speed is None:
            return
        if self.state is State.STARTING:
            target = self.plan.steps[self.step_number].speed if self._seeker is None else self._seeker.speed
            if target is not None:
                if self._reached(speed, target):
                    self._go("at speed" if self._seeker is None else "at speed to try")
            elif self._lead.stands_still(values):
                self.turning = False
                self._go("at speed")
        elif self.state is State.STARTING_PRESHEAR:
            if self._reached(speed, self.plan.conditioning.preshear_speed or 0.0):
                self._go("at speed")
        elif self.state is State.ENDING_PRESHEAR and self._lead.stands_still(values):
            self._go("motor still")

    def _reached(self, speed: float, target: float) -> bool:
        off = max(self.plan.speed_tolerance * abs(target), STILL)
        return "speed" in self._lead.acked and abs(speed - target) <= off

    # ---- requests

    def _ask(self, action: Action, value: float | None = None, *, first: bool = False) -> None:
        try:
            request = self._lead.driver.action(action, value)
        except DriverError as error:
            self._give_up("fault", str(error))
            return
        self._lead.exchange.ask(self.now, request, first=first)

    def _turn(self, speed: float) -> None:
        self._lead.acked.clear()
        self.set_speed = speed
        self._ask("speed", speed)
        if not self.turning and self.state in ACTIVE:
            if not self.moved:
                self._facts.at_rest = self._resting.summary(self.now)
            self.moved = self.turning = True
            self._ask("turn")

    def _halt(self) -> None:
        self._lead.acked.discard("halt")
        self._ask("halt", first=True)

    def request_failed(self, failed: RequestFailed) -> None:
        """An instrument did not do what it was asked."""
        wanted = failed.request.expects
        if wanted in ("reading", "identity"):
            return
        self.note("refused", f"{failed.link}: '{wanted}': {failed.reason}")
        if failed.link == self._lead.name:
            self._give_up("fault", f"{failed.link} did not do '{wanted}': {failed.reason}")

    # ---- the facts

    def facts(self) -> Facts:
        """Return the facts of the run so far, without counters: what `conclude` looks at."""
        facts = self._facts
        return replace(
            facts,
            now=self.now,
            steps=list(facts.steps),
            kept=list(facts.kept),
            notes=list(facts.notes),
            moved=self.moved,
        )

    def _kept(self, kept: Kept) -> None:
        self._facts.kept.append(kept)
        self._emit(kept)

    def note(self, code: str, text: str) -> None:
        """Note something that a person should know."""
        noted = Noted(self.now, code, text)
        self._facts.notes.append(noted)
        self._emit(noted)
