"""Health of an instrument, from figures that are read from the journal of every run when it has ended."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.core.encoding import decode
from daq.core.errors import DaqError, SettingError
from daq.quality.health import Trend, once_per_revolution, trend

if TYPE_CHECKING:
    from daq.app.records.readings import Reading, Readings
    from daq.core.plan import Plan
    from daq.core.replay import MakeDriver
    from daq.methods.files.instrument import HealthLimits

# Figures that are stored are shown without anything that computes them.

WIND_UP_TURNS: Final = 1.5
"""First turns at a speed that are left out: while the sensor winds up, the torque does not show the rotor's ripple."""
MOST_READINGS: Final = 5000
LEAST_TORQUE_PERCENT: Final = 5.0
"""Least torque for a ripple; below it the ripple in % of the reading is mostly noise."""
MOST_AMISS_PERCENT: Final = 1.0
"""Largest acceptable part of an instrument's lines that is lost or damaged, % (our choice)."""
IGNORED: Final = "ignored"
"""Beginning of the reasons of lines that a driver leaves out on purpose."""
SETTLED_S: Final = 5.0
"""Time at rest in seconds after which the rotor no longer swings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """Health figures of one run; None for a figure that the run does not give."""

    serial: str | None
    geometry: str | None
    free: bool
    """True if the rotor turned in air."""
    zero: float | None = None
    """Mean torque with the motor still, before it first turned, % of full scale."""
    ripple: float | None = None
    """Amplitude of the sine once a revolution in the step with most turns, % of the reading."""
    return_to_zero: float | None = None
    """Mean torque at rest after turning less the zero, % of full scale; it shows the bearing only if `free`."""
    readings: int = 0
    amiss: int = 0
    """Number of lines or answers that were lost or damaged."""


def figures(raw: bytes, make_driver: "MakeDriver") -> Figures:
    """Return the figures of the run with the journal `raw`.

    Raises:
        DaqError: the journal cannot be read, or a driver is not installed.
    """
    from daq.app.records.readings import Readings
    from daq.methods.concluding.budget import torque_at_rest

    readings = Readings(raw, make_driver)
    plan = readings.plan
    steps = _by_step(plan, readings)
    counters = readings.facts.counters.get(plan.lead.name, {})
    out = Figures(
        serial=plan.context.serial,
        geometry=plan.context.geometry_name,
        free=plan.context.free_swing,
        readings=counters.get("readings", 0),
        amiss=lines_amiss(counters),
    )
    if plan.band is None or not plan.speed_signal:
        return out
    zero, rested = torque_at_rest(plan, readings.facts), _at_rest(plan, steps)
    returned = None if rested is None or zero is None else rested - zero
    return replace(out, zero=zero, ripple=_ripple(plan, steps), return_to_zero=returned)


def lines_amiss(counters: Mapping[str, Any]) -> int:
    """Return the number of lines or answers that were lost or damaged, from the counters of a link.

    Lines that a driver ignores are as the instrument sends them.
    """
    rejected = counters.get("rejected", {}).items()
    amiss = sum(count for reason, count in rejected if not reason.startswith(IGNORED))
    return int(amiss + sum(counters.get(name, 0) for name in ("timeouts", "too_long", "wrong_echo")))


def line_finding(found: Figures) -> str:
    """Return a sentence if the line lost more than `MOST_AMISS_PERCENT` in a run; otherwise ""."""
    readings, amiss = found.readings, found.amiss
    if not amiss or 100.0 * amiss / (readings + amiss) <= MOST_AMISS_PERCENT:
        return ""
    return (
        f"in the newest run {amiss} of {readings + amiss} lines or answers were lost or damaged: check cable, "
        "plug, power supply and the serial settings"
    )


Point = tuple[int, float, float]
"""Time (ns), speed (/min) and torque (signal's unit) of one reading."""


def _by_step(plan: "Plan", readings: "Readings") -> dict[str, list[Point]]:
    """Return the readings of the lead instrument by the step in which they were measured."""
    steps: dict[str, list[Point]] = {}
    for r in readings:
        point = _point(plan, r)
        if point is not None:
            steps.setdefault(r.step, []).append(point)
    return steps


def _point(plan: "Plan", r: "Reading") -> Point | None:
    if r.state != "measuring" or r.repeat or r.link != plan.lead.name or plan.band is None:
        return None
    speed, torque = r.values.get(plan.speed_signal), r.values.get(plan.band.signal)
    return None if speed is None or torque is None else (r.t, speed, torque)


def _ripple(plan: "Plan", steps: Mapping[str, Sequence[Point]]) -> float | None:
    from daq.methods.concluding.budget import percent_of_full_scale

    best: tuple[float, list[float], list[float]] | None = None
    for name, points in steps.items():
        if next(s.speed for s in plan.steps if s.name == name) is None:
            continue
        turns, torques = _turns(points)
        if turns and (best is None or turns[-1] > best[0]):
            best = turns[-1], turns, torques
    if best is None:
        return None
    _, turns, torques = best
    mean = sum(torques) / len(torques)
    if abs(percent_of_full_scale(plan, mean) or 0.0) < LEAST_TORQUE_PERCENT:
        return None
    try:
        return 100.0 * once_per_revolution(turns, torques) / abs(mean)
    except SettingError:  # too few turns or readings
        return None


def _turns(points: Sequence[Point]) -> tuple[list[float], list[float]]:
    """Return turns and torque of each reading after the wind-up.

    Turns are the integral of the speed from its confirmation on, by the trapezoidal rule.
    """
    turned = 0.0
    turns: list[float] = []
    torques: list[float] = []
    for (t0, v0, _), (t1, v1, torque) in pairwise(points):
        turned += (v0 + v1) / 2.0 * (t1 - t0) / 60e9
        if turned >= WIND_UP_TURNS:
            turns.append(turned)
            torques.append(torque)
    return turns[-MOST_READINGS:], torques[-MOST_READINGS:]


def _at_rest(plan: "Plan", steps: Mapping[str, Sequence[Point]]) -> float | None:
    """Return the mean torque (% of full scale) of the last step at rest after a step that turned; None without one."""
    from daq.methods.concluding.budget import percent_of_full_scale

    turned = False
    found: float | None = None
    for step in plan.steps:
        points = steps.get(step.name, ())
        if step.speed is not None:
            turned = turned or bool(points)
        elif turned and points:
            late = [torque for t, _, torque in points if t - points[0][0] >= SETTLED_S * 1e9]
            if late:
                found = percent_of_full_scale(plan, sum(late) / len(late))
    return found


@dataclass(frozen=True, slots=True)
class Health:
    """Figures of runs in the order of the runs, their trends, and a sentence for each trend beyond a limit."""

    runs: tuple[tuple[RunRecord, Figures], ...]
    trends: dict[str, Trend]
    findings: tuple[str, ...]


def health(reader: Reader, instrument: str, limits: "HealthLimits", make_driver: "MakeDriver", *, count: int) -> Health:
    """Return the health of an instrument over its newest `count` runs.

    Figures of a run that are not stored are computed from its journal.
    """
    from daq.app.records.history import raw_journal

    stored = reader.health(instrument, limit=count)
    runs: list[tuple[RunRecord, Figures]] = []
    for record in reversed(reader.runs(limit=count, instrument=instrument)):
        found = _stored(stored.get(record.id))
        if found is None and record.state == "ended":
            try:
                found = figures(raw_journal(reader, record.id)[0], make_driver)
            except DaqError:  # a damaged journal, or a driver that is not installed any more
                continue
        if found is not None:
            runs.append((record, found))
    # After an exchange of the instrument only runs of the present one count.
    serial = runs[-1][1].serial if runs else None
    runs = [(record, f) for record, f in runs if f.serial == serial]
    trends, findings = judged([f for _, f in runs], limits)
    line = line_finding(runs[-1][1]) if runs else ""
    findings += (line,) if line else ()
    return Health(tuple(runs), trends, findings)


def _stored(data: Any) -> Figures | None:
    try:
        return None if data is None else decode(Figures, data)
    except SettingError:  # stored by another version; they are computed from the journal again
        return None


def judged(found: Sequence[Figures], limits: "HealthLimits") -> tuple[dict[str, Trend], tuple[str, ...]]:
    """Return the trends of figures (oldest first), and a sentence for each that is beyond its limit."""
    trends: dict[str, Trend] = {}
    findings: list[str] = []
    for name, limit in (
        ("zero", limits.zero),
        ("ripple", limits.ripple),
        ("return_to_zero", limits.return_to_zero),
    ):
        given = [getattr(f, name) for f in found if name != "return_to_zero" or f.free]
        values: list[float] = [value for value in given if value is not None]
        one = trend(values, limit)
        if one is None:
            continue
        trends[name] = one
        if one.beyond:
            findings.append(SENTENCES[name].format(latest=one.latest, limit=limit))
    zero = trends.get("zero")
    if zero is not None and abs(zero.change) > limits.zero_change:
        findings.append(
            f"the zero moved by {zero.change:+.2f} % of full scale over {zero.n} runs, more than the "
            f"{limits.zero_change:g} % allowed: let the instrument warm up, check its level and its bearing"
        )
    return trends, tuple(findings)


SENTENCES: Final = {
    "zero": "the torque at rest is {latest:+.2f} % of full scale, more than the {limit:g} % allowed: "
    "take the zero with the rotor hanging free in air",
    "ripple": "the torque swings by {latest:.1f} % of the reading once a revolution, more than the {limit:g} % "
    "allowed: the rotor or its shaft is bent, or not fitted straight",
    "return_to_zero": "with the rotor free in air, {latest:+.2f} % of full scale is left at rest, more than the "
    "{limit:g} % allowed: the bearing has too much friction; have it serviced",
}
