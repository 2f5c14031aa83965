"""State machine of one run: its states, the requests of each state to the instruments, and the end of the run.

This module handles no bytes.  `daq.core.pipeline` gives it readings and the time.
"""

from collections.abc import Callable, Mapping, Sequence

from daq.core.derive import Getter
from daq.core.driver import Driver, Values
from daq.core.effects import Concluded, Effect, Ended, Facts, Moved
from daq.core.errors import DriverError
from daq.core.events import ClockAnchor
from daq.core.extent import Extent
from daq.core.faults import CHECKS, DECIMAL_EDGES
from daq.core.instruments import Instruments
from daq.core.leadmotor import LeadMotor
from daq.core.link import Checked, Link
from daq.core.linkeffects import RequestFailed
from daq.core.linkstates import IdentityCheck, Motor
from daq.core.meter import Meter
from daq.core.plan import Plan, Rule
from daq.core.remarks import Parameter, Remark, remark
from daq.core.run import ACTIVE, OUTCOMES, TRANSITIONS, State
from daq.core.runfacts import RunFacts
from daq.core.seeking import Seeker
from daq.core.stages import TIMED_TRIGGERS, limit_reached, stage_end, too_late
from daq.core.stop import StepClock, StopRule
from daq.core.units import as_written


class LifeCycle:
    """State of one run, with the transitions of `daq.core.run`.

    Attributes:
        state: one of `State`.
        stage_start: time (ns) at which the state was entered.
        step_number: index of the step in the plan.
        meter: measurement of the present step; None while no step is measured.
        lead_motor: motion of the lead instrument.
        now: present time (ns); the owner sets it before each call.
    """

    def __init__(
        self,
        plan: Plan,
        links: Mapping[str, Link],
        signals: Mapping[str, Getter],
        emit: Callable[[Effect], None],
        checks: int = CHECKS,
    ) -> None:
        """Set up the run.

        Args:
            plan: plan of the run.
            links: connections by name, including the lead.
            signals: functions that give the signals of the lead instrument from one reading.
            emit: called with every effect.
            checks: number of the checks of the daq whose run this is.
        """
        self.plan = plan
        self._checks = checks
        self.state = State.READY
        self.stage_start = 0
        self.step_number = 0
        self.meter: Meter | None = None
        self.equilibrating = StopRule(Rule("any", "no temperature asked for"))
        self._links = links
        self._instruments = Instruments(links, plan.lead.name)
        self.lead_motor = LeadMotor(plan, self._instruments, checks)
        self._lead = links[plan.lead.name]
        self._drivers: dict[str, Driver] = {name: link.driver for name, link in links.items()}
        self._signals = signals
        self._emit = emit
        self._last_of: dict[str, tuple[int, Checked]] = {}
        """Time and values of the latest reading of each companion: a step begins with it."""
        self._seeker: Seeker | None = None
        self._facts = RunFacts(self._instruments, self.lead_motor, emit)
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
        self.lead_motor.turning = False
        self._halt()

    def _enter_resting(self) -> None:
        if not self.plan.conditioning.rest_ns:
            self._go("rested")

    def _enter_seeking(self) -> None:
        if self._seeker is not None:
            self._measure(self._seeker.plan_of_try(self.now))

    def _measure(self, plan: Plan) -> None:
        keep, earlier = self._facts.keep, self._last_of
        drivers, signals = self._drivers, self._signals
        self.meter = Meter(plan, self.step_number, self.now, drivers, signals, keep, earlier, checks=self._checks)

    def _enter_starting(self) -> None:
        step = self.plan.steps[self.step_number]
        if step.seek is not None and self._seeker is None:
            self._seeker = Seeker(self.plan, self.step_number)
        speed = step.speed if self._seeker is None else self._seeker.speed
        if speed is not None:
            self._turn(speed)
        elif self.lead_motor.turning:
            self._halt()
        else:
            self._go("at speed")

    def begin(self, who: str, ports: Sequence[str]) -> None:
        """Start the run: ask every connected instrument (`ports`) for its identity.

        `who` is the person who started the run.  Without the lead instrument the run ends as interrupted.
        """
        if self.state is not State.READY:
            return
        self._facts.so_far.began = self.now
        if self._lead.name not in ports:
            self.give_up("link lost", remark("instrument_not_connected", instrument=self._lead.name))
            return
        for name in self._links:
            if name not in ports:
                self.note("link_down", instrument=name)
        self._go("begin", who)

    def _enter_equilibrating(self) -> None:
        c = self.plan.conditioning
        if c.bath is not None:
            bath = c.bath
            self._request(lambda: self._lead.exchange.ask(self.now, self._lead.driver.action("bath", bath)))
        if c.signal and self.state is State.EQUILIBRATING:
            rule = Rule("between", f"{c.signal} in band", c.signal, c.low, c.high, hold=Extent(c.hold_ns))
            self.equilibrating = StopRule(rule)
        elif self.state is State.EQUILIBRATING:
            self._go("in band")

    def check_temperature(self, signals: Mapping[str, float | None]) -> None:
        """End the equilibrating if the temperature rule is met by `signals`; do nothing in other states."""
        if self.state is not State.EQUILIBRATING:
            return
        clock = StepClock(start=self.stage_start, floor=self.stage_start, now=self.now)
        for signal in self.equilibrating.by_signal:
            if signal in signals:
                value = signals[signal]
                # A temperature that was converted to degrees has a rounding error; the band has none.
                if value is not None and self._checks >= DECIMAL_EDGES:
                    value = as_written(value)
                self.equilibrating.see(signal, value, clock)
        if self.equilibrating.by_signal and self.equilibrating.met() is not None:
            self._go("in band")

    # ---- the end

    def _enter_stopping(self, trigger: str, reason: Remark | None) -> None:
        # The facts are frozen here, so that the result waits for no motor.  The stop is the first request sent.
        self._facts.freeze(self.now, self.motor, OUTCOMES[trigger], reason)
        self._instruments.stop(self.now)
        self.settle()

    def settle(self) -> None:
        """Make the transitions that wait for the identities of the instruments or for the state of the motor."""
        if self.state is State.IDENTIFYING:
            self._begin_if_identified()
        elif self.state is State.STOPPING and self._facts.frozen:
            if self._instruments.all_have_answered:
                self._emit(Concluded(self.now, self._facts.conclude(self.motor)))
                self._go("identity known")
        elif self.state is State.CONCLUDED and (motor := self.motor) is not Motor.TURNING:
            self.lead_motor.turning = False
            self._go("motor known", motor)
            self._instruments.stop_polling()
            self._emit(Ended(self.now, motor))

    @property
    def moved(self) -> bool:
        """True if the run requested motion."""
        return self._instruments.moved

    @property
    def motor(self) -> Motor:
        """State of the motor; `TURNING` also as long as its stop is not confirmed."""
        if self.state in (State.STOPPING, State.CONCLUDED, State.ENDED):
            return self._instruments.motor_at_end()
        return self.lead_motor.before_stop

    def _begin_if_identified(self) -> None:
        asked = self._instruments.connected_and_asked
        if asked is None:
            return
        for link in asked:
            if link.identification.check is IdentityCheck.NO_ANSWER:
                if link is self._lead:
                    reason = remark("identity_not_given", instrument=link.name, detail=link.identification.detail)
                    self.give_up("fault", reason)
                    return
                self.note("no_identity", instrument=link.name, detail=link.identification.detail)
        self._go("identified")

    def give_up(self, trigger: str, reason: Remark) -> None:
        """End the run before its last rule; `trigger` is one of the table's."""
        if self.state in ACTIVE or self.state is State.READY:
            self._go(trigger, reason=reason)

    # ---- when a state has lasted long enough

    @property
    def wake_at(self) -> int:
        """Time (ns) at which the state ends or an action in the step is due; `NEVER` where there is none."""
        if self.meter is not None:
            return self.meter.wake_at
        return stage_end(self.plan, self.state, self.stage_start)

    def due(self) -> None:
        """Do what is due at `now`."""
        if self.meter is not None:
            self.meter.due(self.now)
            self.after_measuring()
        elif self.state in TIMED_TRIGGERS:
            if self.state is State.PRESHEARING:
                c = self.plan.conditioning
                self.note("sheared", seconds=c.preshear_ns / 1e9, speed=c.preshear_speed)
            self._go(TIMED_TRIGGERS[self.state])
        else:
            self.give_up("fault", too_late(self.plan, self.state))

    # ---- readings

    def reading(self, checked: Checked, turned: float) -> None:
        """Take a checked reading of the lead instrument; `turned` is the number of revolutions since the last one."""
        if self.lead_motor.turning and isinstance(checked, Values) and self.state in ACTIVE:
            # At the torque limit the motor is stopped at once, to protect the sensor, and the run ends.
            raw = self._lead.intake.raw
            found = limit_reached(
                self.plan, self.now, self.state, self.step_number, self.lead_motor.set_speed or 0.0, raw, checked
            )
            if found is not None:
                self._facts.so_far.limit, reason = found
                self.give_up("torque limit", reason)
        if self.meter is not None:
            self.meter.reading(self.now, checked, turned)
            if self.meter.met is not None:
                self.after_measuring()
        else:
            self._between_steps(checked.values if isinstance(checked, Values) else checked)

    def companion(self, name: str, checked: Checked, signals: Mapping[str, float | None]) -> None:
        """Take a checked reading of the companion `name`; `signals` holds its values by signal name."""
        self._last_of[name] = self.now, checked
        if self.meter is not None:
            self.meter.companion(self.now, name, checked)
            if self.meter.met is not None:
                self.after_measuring()
        else:
            self.check_temperature(signals)

    def null(self, signals: Sequence[str]) -> None:
        """Set `signals` to null: a hold of a rule on one of them starts again."""
        if self.meter is not None:
            self.meter.null(self.now, signals)
        else:
            self.check_temperature(dict.fromkeys(signals))

    def after_measuring(self) -> None:
        """Go to the next step if the stop rule is met; end the run as failed if the step has lasted too long."""
        meter, t = self.meter, self.now
        if meter is None:
            return
        if meter.met is not None:
            ended = meter.finish(t, meter.met)
            self._facts.end_step(ended)
            for name in meter.waiting:
                self.note("threshold_not_met", step=meter.step.name, rule=name)
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
        """Try the next speed, or end the run: the torque is on target, or no speed is left to try."""
        seeker.take(self._facts.so_far.kept[-1])
        if seeker.on_target:
            self._go("torque on target", reason=seeker.remark)
        elif seeker.speed is not None:
            self._go("torque off target", reason=seeker.remark)
        else:
            self.give_up("fault", seeker.remark)

    def _between_steps(self, values: Sequence[float | None]) -> None:
        """Use a reading of the lead instrument outside a step: temperature, confirmed speed, torque at rest."""
        self.lead_motor.see_before_motion(self.now, values)
        if self.state is State.EQUILIBRATING:
            self.check_temperature({name: get(values) for name, get in self._signals.items()})
            return
        speed = self.lead_motor.speed(values)
        if speed is None:
            return
        if self.state is State.STARTING:
            target = self.plan.steps[self.step_number].speed if self._seeker is None else self._seeker.speed
            if target is not None:
                if self.lead_motor.reached(speed, target):
                    self._go("at speed" if self._seeker is None else "at speed to try")
            elif self._lead.stands_still(values):
                self.lead_motor.turning = False
                self._go("at speed")
        elif self.state is State.STARTING_PRESHEAR:
            if self.lead_motor.reached(speed, self.plan.conditioning.preshear_speed or 0.0):
                self._go("at speed")
        elif self.state is State.ENDING_PRESHEAR and self._lead.stands_still(values):
            self._go("motor still")

    # ---- requests

    def _request(self, request: Callable[[], None]) -> None:
        """Send a request to the lead instrument; end the run as failed if the instrument cannot do it."""
        try:
            request()
        except DriverError as error:
            self.give_up("fault", remark("action_not_possible", instrument=self._lead.name, detail=str(error)))

    def _turn(self, speed: float) -> None:
        self._request(lambda: self.lead_motor.turn(self.now, speed))

    def _halt(self) -> None:
        self._request(lambda: self.lead_motor.halt(self.now))

    def request_failed(self, failed: RequestFailed) -> None:
        """Note a request that was given up or refused; if it was an action of the lead, end the run as failed."""
        wanted = failed.request.expects
        if wanted in ("reading", "identity"):
            return
        self.note("refused", instrument=failed.link, action=wanted, detail=failed.reason)
        if failed.link == self._lead.name:
            self.give_up("fault", remark("action_failed", instrument=failed.link, action=wanted, detail=failed.reason))

    # ---- the facts

    def facts(self) -> Facts:
        """Return the facts of the run so far, without counters."""
        return self._facts.at(self.now, self.motor, stopping=self.state is State.STOPPING)

    def anchored(self, anchor: ClockAnchor) -> None:
        """Take the UTC of a monotonic time."""
        self._facts.anchored(anchor)

    def note(self, code: str, **parameters: Parameter) -> None:
        """Record a remark for a person: its code and the parameters of its sentence."""
        self._facts.note(self.now, code, parameters)
