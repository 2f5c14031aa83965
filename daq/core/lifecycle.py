"""The life of one run: its states, what each asks of the instrument, and what ends it.

Nothing here knows of bytes, and time comes as a number: `daq.core.pipeline` brings both.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from daq.core.derive import Getter
from daq.core.driver import Action, Driver, Values
from daq.core.effects import Concluded, Effect, Ended, Facts, Kept, Moved, Noted
from daq.core.errors import DriverError
from daq.core.instruments import Instruments
from daq.core.link import Checked, Link
from daq.core.linkeffects import RequestFailed
from daq.core.linkstates import IdentityCheck, Motor
from daq.core.meter import Meter
from daq.core.plan import Extent, Plan, Rule
from daq.core.remarks import Remark, remark
from daq.core.resting import STILL, Resting, TorqueAtRest
from daq.core.run import ACTIVE, OUTCOMES, TRANSITIONS, State
from daq.core.seeking import Seeker
from daq.core.stages import PASSES, limit_reached, stage_end, too_late
from daq.core.stop import Clock, StopRule

REST_SHARE: Final = 0.2
"""Share of the lowest usable torque; a torque at rest that is off its zero by more is warned of."""


class LifeCycle:
    """The state of one run.  Transitions are those of `daq.core.run`.

    Attributes:
        state: one of `State`.
        stage_start: when (ns) the state was entered, or a new part of it began.
        step_number: index of the step in the plan.
        meter: watches the step while it is measured; None otherwise.
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
        self.turning = False
        self.set_speed: float | None = None
        self.equilibrating = StopRule(Rule("any", "no temperature asked for"))
        self._links = links
        self._instruments = Instruments(links, plan.lead.name)
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
        self._facts = Facts(0, 0, "", None)
        self._frozen: Facts | None = None
        self.now = 0
        self._entering: dict[State, Callable[[], None]] = {
            State.EQUILIBRATING: self._enter_equilibrating,
            State.SOAKING: self._enter_soaking,
            State.STARTING_PRESHEAR: self._enter_starting_preshear,
            State.ENDING_PRESHEAR: self._enter_ending_preshear,
            State.RESTING: self._enter_resting,
            State.STARTING: self._enter_starting,
            State.MEASURING: lambda: self._measure(self.plan),
            State.SEEKING: self._enter_seeking,
            State.CONCLUDED: self.settle,
        }

    # ---- the states

    def _go(self, trigger: str, detail: str = "", reason: Remark | None = None) -> None:
        source, target = self.state, TRANSITIONS[self.state, trigger]
        detail = detail or ("" if reason is None else str(reason))
        self._emit(Moved(self.now, source.value, trigger, target.value, detail))
        self.state = target
        self.stage_start = self.now
        self.meter = None
        if target is State.STOPPING:
            self._enter_stopping(trigger, reason)
        elif target in self._entering:
            self._entering[target]()

    def _enter_soaking(self) -> None:
        if not self.plan.conditioning.soak_ns:
            self._go("soaked")

    def _enter_starting_preshear(self) -> None:
        if self.plan.conditioning.preshear_speed is None:
            self._go("no pre-shear")
        else:
            self._turn(self.plan.conditioning.preshear_speed)

    def _enter_ending_preshear(self) -> None:
        self.turning = False
        self._halt()

    def _enter_resting(self) -> None:
        if not self.plan.conditioning.rest_ns:
            self._go("rested")

    def _enter_seeking(self) -> None:
        if self._seeker is not None:
            self._measure(self._seeker.plan_of_try(self.now))

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
            self.give_up("link lost", remark("instrument_not_connected", instrument=self._lead.name))
            return
        for name in self._links:
            if name not in ports:
                self.note("link_down", f"{name}: is not connected")
        self._go("begin", who)

    def _enter_equilibrating(self) -> None:
        c = self.plan.conditioning
        if c.bath is not None:
            self._ask("bath", c.bath)
        if c.signal and self.state is State.EQUILIBRATING:
            rule = Rule("between", f"{c.signal} in band", c.signal, c.low, c.high, hold=Extent(c.hold_ns))
            self.equilibrating = StopRule(rule)
        elif self.state is State.EQUILIBRATING:
            self._go("in band")

    def temper(self, signals: Mapping[str, float | None]) -> None:
        """Look at the temperature; only while the sample is brought to it."""
        if self.state is not State.EQUILIBRATING:
            return
        clock = Clock(start=self.stage_start, floor=self.stage_start, now=self.now)
        for signal in self.equilibrating.by_signal:
            if signal in signals:
                self.equilibrating.see(signal, signals[signal], clock)
        if self.equilibrating.by_signal and self.equilibrating.met() is not None:
            self._go("in band")

    # ---- the end

    def _enter_stopping(self, trigger: str, reason: Remark | None) -> None:
        facts = self._facts
        facts.outcome, facts.reason = OUTCOMES[trigger], reason
        facts.began = facts.began or self.now
        self._frozen = self.facts()
        self._instruments.stop(self.now)
        self.settle()

    def settle(self) -> None:
        """Go on where every instrument has said who it is, or has had its time; end where the motor is known."""
        if self.state is State.IDENTIFYING:
            self._begin_if_identified()
        elif self.state is State.STOPPING and self._frozen is not None:
            if self._instruments.all_have_answered:
                self._facts.identities = self._instruments.identities()
                # Counters may be ahead of the reading that ended the run, by what came in the same chunk.
                self._emit(Concluded(self.now, replace(self._frozen, identities=self._facts.identities)))
                self._go("identity known")
        elif self.state is State.CONCLUDED and (motor := self.motor) is not Motor.TURNING:
            self.turning = False
            self._go("motor known", motor)
            self._instruments.rest()
            self._emit(Ended(self.now, motor))

    @property
    def moved(self) -> bool:
        """Whether motion was ever asked for."""
        return self._instruments.moved

    @property
    def motor(self) -> Motor:
        """State of the motor; `TURNING` also as long as its stop is not confirmed yet."""
        if not self.moved or self.state in (State.STOPPING, State.CONCLUDED, State.ENDED):
            return self._instruments.motor_at_end()
        return Motor.TURNING if self.turning else Motor.STILL

    @property
    def torque_at_rest(self) -> TorqueAtRest | None:
        """The torque expected once the motor stands still; None where the run did not turn it."""
        if not self.moved or self._torque_at < 0 or self.plan.band is None:
            return None
        zero = 0.0 if self._facts.at_rest is None else self._facts.at_rest.mean
        return TorqueAtRest(self._torque_at, zero, REST_SHARE * self.plan.band.low)

    def _begin_if_identified(self) -> None:
        asked = self._instruments.asked
        if asked is None:
            return
        for link in asked:
            if link.identity_check is IdentityCheck.NO_ANSWER:
                if link is self._lead:
                    reason = remark("identity_not_given", instrument=link.name, detail=link.identity_said)
                    self.give_up("fault", reason)
                    return
                self.note("no_identity", f"{link.name} does not say who it is: {link.identity_said}")
        self._go("identified")

    def give_up(self, trigger: str, reason: Remark) -> None:
        """End the run before its last rule; `trigger` is one of the table's."""
        if self.state in ACTIVE or self.state is State.READY:
            self._go(trigger, reason=reason)

    # ---- when a state has lasted long enough

    @property
    def wake_at(self) -> int:
        """When (ns) the state has lasted long enough, or something is due in the step; `NEVER` where nothing is."""
        if self.meter is not None:
            return self.meter.wake_at
        return stage_end(self.plan, self.state, self.stage_start)

    def due(self) -> None:
        """Do what is due now."""
        if self.meter is not None:
            self.meter.due(self.now)
            self.after_measuring()
        elif self.state in PASSES:
            if self.state is State.PRESHEARING:
                c = self.plan.conditioning
                self.note("sheared", f"pre-sheared for {c.preshear_ns / 1e9:g} s at {c.preshear_speed:g} /min")
            self._go(PASSES[self.state])
        else:
            self.give_up("fault", too_late(self.plan, self.state))

    # ---- readings

    def reading(self, checked: Checked, turned: float) -> None:
        """Take a checked reading of the lead instrument, and the revolutions since the one before."""
        if self.turning and isinstance(checked, Values) and self.state in ACTIVE:
            # A torque at or beyond its limit while the motor turns: stop it at once, and end the run.
            raw = self._lead.intake.raw
            found = limit_reached(
                self.plan, self.now, self.state, self.step_number, self.set_speed or 0.0, raw, checked
            )
            if found is not None:
                self._facts.limit, reason = found
                self.give_up("torque limit", reason)
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
                self._go("last rule met", reason=remark("rule_named", rule=ended.rule))
        elif t >= meter.deadline:
            longest = self.plan.steps[self.step_number].longest_ns
            self.give_up("fault", remark("no_rule_met", step=meter.step.name, longest=longest / 1e9))

    def _after_try(self, seeker: Seeker) -> None:
        """Another speed, or the end: the torque is where it should be, or no speed is left to try."""
        seeker.take(self._facts.kept[-1])
        if seeker.on_target:
            self._go("torque on target", reason=seeker.remark)
        elif seeker.speed is not None:
            self._go("torque off target", reason=seeker.remark)
        else:
            self.give_up("fault", seeker.remark)

    def _between_steps(self, values: Sequence[float | None]) -> None:
        """A reading of the lead instrument while nothing is measured: temperature, speed reached, motor at rest."""
        if self._torque_at >= 0 and not self.moved:
            turned = values[self._speed_at]
            if turned is not None and abs(turned) < STILL:
                self._resting.see(self.now, values[self._torque_at])
        if self.state is State.EQUILIBRATING:
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
            self.give_up("fault", remark("action_not_possible", instrument=self._lead.name, detail=str(error)))
            return
        self._lead.exchange.ask(self.now, request, first=first)

    def _turn(self, speed: float) -> None:
        self._lead.acked.clear()
        self.set_speed = speed
        self._ask("speed", speed)
        if not self.turning and self.state in ACTIVE:
            if not self.moved:
                self._facts.at_rest = self._resting.summary(self.now)
            self._instruments.moved = self.turning = True
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
            self.give_up("fault", remark("action_failed", instrument=failed.link, action=wanted, detail=failed.reason))

    # ---- the facts

    def facts(self) -> Facts:
        """Return the facts of the run so far, without counters: what `conclude` looks at."""
        facts = self._facts
        cut_off = self.state is State.STOPPING and self._frozen is not None
        return replace(
            facts,
            now=self.now,
            identities=self._instruments.identities() if cut_off else list(facts.identities),
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
