"""The items of the checklist of a bench: which are due, and how each is confirmed.  Pure."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from daq.core.context import ControlState
from daq.laboratory.bench.benchstate import BenchState, Checked, NamedSample

SHIFT_NS: Final = 12 * 3600 * 1_000_000_000
"""Time after which level and zero are due again, even without a handover (common practice, no source)."""
AFTER: Final = ("cleaned", "dried", "inspected")
"""Items after a run, attested together."""
NO_HINDRANCE: Final = ("at_temperature", "control")
"""Items that do not keep a run from starting."""
TORQUE_UNIT: Final = "%"
TEMPERATURE_UNIT: Final = "Cel"


@dataclass(frozen=True, slots=True)
class Age:
    """The age (s) of a reading, and the age up to which it counts in the checklist, as in a run."""

    seconds: float = 0.0
    longest: float = 0.0
    is_keyed: bool = False
    """True where a person presses a key for each reading."""

    def counts(self, list_s: float) -> bool:
        """Return whether the reading counts for a list that began `list_s` (s) ago.

        The key was pressed for the sample that is at the bench, and not for the one before it.
        """
        return self.seconds <= self.longest and (not self.is_keyed or self.seconds <= list_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """The facts about a bench at one moment.

    Attributes:
        mono_ns, utc_ns: the time.
        has_rotor: whether measuring geometries are fitted to the instrument.
        fitted, serial, fitted_revision: the recorded geometry; "" and 0 where none is recorded.
        out_of_service: why the equipment must not be used: instrument, fitted geometry, probes; "" where it may.
        motor_still: whether the motor is known to be still; None where the instrument has none.
        torque, zero_limit: torque (% of full scale) now, and its limit at rest; None where it is not shown.
        temperature: temperature (Cel) now, of the signal that the sample's method names; None where it is not shown.
        torque_age, temperature_age: ages of their readings.
        newest_run: id of the newest run of the bench; "" for none.
        control: state of the required control of the shift; "" where the file of the bench requires none.
        control_fluid: its control fluid.
        active_run: id of the run that is in progress on the bench; "" for none.
        cause: reason of the cause that was assigned to the run of the flow; "" for none.
    """

    mono_ns: int
    utc_ns: int
    has_rotor: bool = False
    fitted: str = ""
    serial: str = ""
    fitted_revision: int = 0
    out_of_service: str = ""
    motor_still: bool | None = None
    torque: float | None = None
    zero_limit: float | None = None
    temperature: float | None = None
    torque_age: Age = Age()
    temperature_age: Age = Age()
    newest_run: str = ""
    active_run: str = ""
    control: ControlState | Literal[""] = ""
    control_fluid: str = ""
    cause: str = ""


def opening_due(state: BenchState, facts: Facts) -> bool:
    """Return whether level, zero and geometry must be confirmed before the next sample."""
    if not facts.has_rotor:
        return state.warm_up
    return _new_shift(state, facts) or state.warm_up or state.fitted_revision != facts.fitted_revision


def _new_shift(state: BenchState, facts: Facts) -> bool:
    """Return whether level and zero were not confirmed in this shift; a clock that was set back a little is none."""
    return not state.opened_utc_ns or abs(facts.utc_ns - state.opened_utc_ns) >= SHIFT_NS


def opening_items(state: BenchState, facts: Facts) -> tuple[str, ...]:
    """Return the items with nothing attached: warm-up after a power failure, level once a shift, and the zero."""
    if not facts.has_rotor:
        return ("warm_up",)
    found = ["warm_up"] if state.warm_up else []
    found += ["level"] if _new_shift(state, facts) or state.warm_up else []
    return (*found, "motor_still", "zero") if facts.motor_still is not None else (*found, "zero")


FITTING: Final = ("geometry_fitted",)
"""Items after the measuring geometry was put on."""


def items_before(named: NamedSample, facts: Facts) -> tuple[str, ...]:
    """Return the items before a run, in the order of the work."""
    same = named.filling == "same"
    found: list[str] = []
    found += [] if same else ["clean"]
    found += ["stirred"] if named.stirring_s and not same else []
    found += ["immersed"] if facts.has_rotor else ["filled"]
    found += ["no_bubbles"] if facts.has_rotor else []
    found += ["fill_unchanged"] if same else []
    found += ["probe", "at_temperature"] if named.signal else []
    found += ["cautions"] if named.caution else []
    found += ["motor_still"] if facts.motor_still is not None else []
    found += ["control"] if facts.control and not named.fluid else []
    return tuple(found)


def checked(codes: Iterable[str], state: BenchState, facts: Facts) -> tuple[Checked, ...]:
    """Return how each item is confirmed when the person attests all of them together now."""
    return tuple(_checked(code, state, facts) for code in codes)


def _checked(code: str, state: BenchState, facts: Facts) -> Checked:
    if code in state.skipped:
        return Checked(code=code, how="skipped")
    named = state.named
    if code == "zero" and facts.torque is not None and facts.zero_limit is not None:
        limit = facts.zero_limit
        return _measured(code, facts.torque, TORQUE_UNIT, (-limit, limit), facts.torque_age, math.inf)
    if code == "at_temperature" and named is not None and facts.temperature is not None:
        band = named.low, named.high
        since = (facts.mono_ns - state.since_ns) / 1e9 if state.since_ns else math.inf
        return _measured(code, facts.temperature, TEMPERATURE_UNIT, band, facts.temperature_age, since)
    if code == "control":
        return Checked(code=code, how="measured", met=facts.control == "passed")
    if code == "motor_still":
        return Checked(code=code, how="measured", met=bool(facts.motor_still))
    if code == "stirred":
        met = stirring_left(state, facts) <= 0
        return Checked(code=code, how="counted", met=met, value=0.0 if named is None else named.stirring_s, unit="s")
    if code == "clean" and state.clean_after and state.clean_after == facts.newest_run:
        return Checked(code=code, how="earlier")
    return Checked(code=code, how="together")


def _measured(code: str, value: float, unit: str, band: tuple[float, float], age: Age, list_s: float) -> Checked:
    """Return an item that the daemon reads; a reading that does not count for a list of this age (s) gives no value."""
    seconds = int(age.seconds)
    if not age.counts(list_s):
        return Checked(code=code, how="measured", met=False, age_s=seconds, longest_s=age.longest)
    low, high = band
    return Checked(
        code=code,
        how="measured",
        met=low <= value <= high,
        value=value,
        unit=unit,
        low=low,
        high=high,
        age_s=seconds,
        longest_s=age.longest,
    )


def hindrance(items: Iterable[Checked]) -> str:
    """Return the code of the first item that keeps a run from starting; "" for none.

    A temperature outside its band is none: the run itself waits for it, and fails where it does not come.  Nor is a
    control that has not passed: the result is Uncertain.
    """
    return next((item.code for item in items if not item.met and item.code not in NO_HINDRANCE), "")


def stirring_left(state: BenchState, facts: Facts) -> float:
    """Return the time (s) that the sample is still to be stirred."""
    if state.named is None or not state.named.stirring_s:
        return 0.0
    since = state.since_ns or facts.mono_ns
    return max(0.0, state.named.stirring_s - (facts.mono_ns - since) / 1e9)


def resting_left(state: BenchState, facts: Facts) -> float:
    """Return the time (s) that the filling is still to rest; 0 in other stages."""
    return max(0.0, (state.due_ns - facts.mono_ns) / 1e9) if state.stage == "resting" else 0.0
