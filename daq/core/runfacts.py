"""The facts of one run: collected while it goes on, frozen when its end is decided, concluded with the identities."""

from collections.abc import Callable
from dataclasses import replace

from daq.core.effects import Effect, Facts, Kept, Noted, StepEnded
from daq.core.events import ClockAnchor
from daq.core.instruments import Instruments
from daq.core.leadmotor import LeadMotor
from daq.core.linkstates import Motor
from daq.core.remarks import Parameter, Remark


class RunFacts:
    """Facts of one run.

    Attributes:
        so_far: the facts as they are collected; without counters, and without the torque at rest.
    """

    def __init__(self, instruments: Instruments, lead_motor: LeadMotor, emit: Callable[[Effect], None]) -> None:
        """Start without facts; `emit` is called with every kept value, remark and end of a step."""
        self.so_far = Facts(0, 0, "", None)
        self._instruments, self._lead_motor, self._emit = instruments, lead_motor, emit
        self._frozen: Facts | None = None
        self._motor_concluded: Motor | None = None
        """State of the motor in the facts of the result; None before the result."""

    def keep(self, kept: Kept) -> None:
        """Add a kept value."""
        self.so_far.kept.append(kept)
        self._emit(kept)

    def end_step(self, ended: StepEnded) -> None:
        """Add the end of a step."""
        self.so_far.steps.append(ended)
        self._emit(ended)

    def note(self, t: int, code: str, parameters: dict[str, Parameter]) -> None:
        """Add a remark for a person, made at `t` (ns): its code and the parameters of its sentence."""
        noted = Noted(t, code, parameters)
        self.so_far.notes.append(noted)
        self._emit(noted)

    def anchored(self, anchor: ClockAnchor) -> None:
        """Take the UTC of a monotonic time.  No rule uses it; the result names steps of the clock until its end."""
        if self._frozen is None:
            self.so_far.clock = self.so_far.clock.after(anchor)

    @property
    def frozen(self) -> bool:
        """True once the end of the run is decided."""
        return self._frozen is not None

    def freeze(self, t: int, motor: Motor, outcome: str, reason: Remark | None) -> None:
        """Freeze the facts at `t` (ns) with the outcome, so that the result waits for no motor."""
        self.so_far.outcome, self.so_far.reason = outcome, reason
        self.so_far.began = self.so_far.began or t
        self._frozen = self.at(t, motor)

    def conclude(self, motor: Motor) -> Facts:
        """Return the facts of the result: the frozen facts, the identities known now, and the state of the motor.

        The frozen facts are used, because counters may include lines after the reading that ended the run.

        Raises:
            ValueError: the facts are not frozen.
        """
        if self._frozen is None:
            raise ValueError("the end of the run is not decided")
        self.so_far.identities = self._instruments.identities()
        self._motor_concluded = motor
        return replace(self._frozen, identities=self.so_far.identities, motor=motor)

    def at(self, t: int, motor: Motor, *, stopping: bool = False) -> Facts:
        """Return the facts at `t` (ns), without counters; `stopping`: the identities at the end are awaited.

        Once they are frozen there are no more remarks in them: recovery, replay and the result have the same.
        """
        facts, notes = self.so_far, (self._frozen or self.so_far).notes
        return replace(
            facts,
            now=t,
            identities=self._instruments.identities() if stopping and self.frozen else list(facts.identities),
            steps=list(facts.steps),
            kept=list(facts.kept),
            notes=list(notes),
            at_rest=self._lead_motor.at_rest,
            moved=self._instruments.moved,
            motor=self._motor_concluded or motor,
        )
