"""Make the view of a run for screens from its pipeline."""

from collections.abc import Callable, Sequence
from dataclasses import replace

from daq.adapters.store.rows import RunRecord
from daq.app.run.live_digits import LiveDigits
from daq.app.screens.run_view import ProvisionalValue, RunView, SeekShown, StepShown, TemperatureGate, written_note
from daq.core.effects import Facts, Kept, Noted
from daq.core.faults import FAULTS, publishable, worst
from daq.core.pipeline import Pipeline
from daq.core.plan import Plan
from daq.core.remarks import WrittenRemark
from daq.core.run import State

Advise = Callable[[Facts], Sequence[WrittenRemark]]


def run_view(
    record: RunRecord,
    pipeline: Pipeline,
    now: int,
    advise: Advise,
    digits: LiveDigits,
    notes: Sequence[Noted],
    caution: str = "",
    *,
    before: RunView | None = None,
) -> RunView:
    """Return the state of a run at `now` (ns).

    Args:
        record: the run.
        pipeline: its pipeline.
        now: ns.
        advise: gives advice for facts that are not final.
        digits: keeps the decimals of the run's live values; the same object for all views of a run.
        notes: the notes of the run so far.
        caution: the product's safety note.
        before: an earlier view of the run.  Value, advice and decimals, which cost most of the time, are those of it if
            the run is in the same state of the same step; None: they are computed.
    """
    plan = pipeline.plan
    facts = pipeline.facts()
    meter = pipeline.life.meter
    number = pipeline.life.step_number + 1
    if before is not None and (before.run, before.state, before.step.number) != (record.id, pipeline.state, number):
        before = None
    kept = meter.provisional(now) if meter is not None and before is None else None
    step = plan.steps[pipeline.life.step_number]
    began = meter.clock.start if meter is not None else pipeline.life.stage_start
    c = plan.conditioning
    set_speed = step.speed if step.seek is None else pipeline.life.lead_motor.set_speed
    signals = pipeline.signals()
    return RunView(
        run=record.id,
        instrument=plan.lead.name,
        method=f"{plan.method} {plan.version}",
        sample=record.sample,
        simulated=record.simulated,
        fitted=_fitted(plan),
        caution=caution,
        state=pipeline.state.value,
        run_s=(now - facts.began) / 1e9 if facts.began else 0.0,
        stage_s=(now - began) / 1e9 if began else 0.0,
        stage_of_s=_stage_ns(plan, pipeline.state) / 1e9,
        step=StepShown(
            number=number,
            of=len(plan.steps),
            name=step.name,
            speed=set_speed,
        ),
        seek=_seek(plan, pipeline.life.step_number, facts),
        signals=signals,
        units=units(pipeline),
        decimals=digits.decimals((pipeline.life.step_number, set_speed), facts, kept, signals)
        if before is None
        else before.decimals,
        faults=_faults(pipeline),
        band=plan.band,
        temperature=TemperatureGate(c.signal, c.low, c.high) if c.signal else None,
        value=before.value if before is not None else None if kept is None else _value(pipeline, kept),
        rules=tuple(pipeline.progress(now)),
        advice=before.advice
        if before is not None
        else ()
        if kept is None
        else tuple(advise(_with_provisional(facts, kept))),
        notes=tuple(map(written_note, notes)),
        motor=pipeline.motor.value,
    )


def _fitted(plan: Plan) -> str:
    """Return name and serial number of the plan's measuring geometry; "" where it has none."""
    geometry = plan.context.geometry
    if geometry is None:
        return ""
    return f"{geometry.name} (serial number {geometry.serial})" if geometry.serial else geometry.name


def _stage_ns(plan: Plan, state: State) -> int:
    """Return the length (ns) that the method gives a state; 0 where it gives none."""
    c = plan.conditioning
    return {State.SOAKING: c.soak_ns, State.PRESHEARING: c.preshear_ns, State.RESTING: c.rest_ns}.get(state, 0)


def _seek(plan: Plan, number: int, facts: Facts) -> SeekShown | None:
    """Return the target of the speed search in step `number` and which try it is at; None where that is no search."""
    seek = plan.steps[number].seek
    if seek is None:
        return None
    tries = sum(ended.step == number for ended in facts.steps)
    return SeekShown(low=seek.low, high=seek.high, number=min(tries + 1, seek.most), most=seek.most)


def units(pipeline: Pipeline) -> dict[str, str]:
    """Return the UCUM code of every signal of a run."""
    plan = pipeline.plan
    out = dict(zip(plan.lead.channels, plan.lead.units, strict=True))
    out |= {d.name: d.unit for d in plan.derivations}
    for link in plan.links:
        if link.role == "companion":
            out |= {f"{link.name}.{c}": u for c, u in zip(link.channels, link.units, strict=True)}
    return out | {"elapsed": "s", "readings": "1", "revolutions": "{rev}"}


def _faults(pipeline: Pipeline) -> dict[str, tuple[str, ...]]:
    """Return the faults of the latest reading, each with its channels (none for the whole instrument).

    That no viscosity is defined while nothing turns is no fault.
    """
    found: dict[str, tuple[str, ...]] = {}
    for channel, fault in pipeline.channel_faults():
        if fault != "undefined" or (pipeline.life.lead_motor.turning and pipeline.state is not State.STARTING):
            found[fault] = (*found.get(fault, ()), *((channel,) if channel else ()))
    return found


def _value(pipeline: Pipeline, kept: Kept) -> ProvisionalValue | None:
    primary = pipeline.plan.primary
    summary = kept.summaries[primary]
    if summary.n == 0 and set(kept.faults) <= {"cut_short", "no_readings"}:
        return None  # the step has just started, or its first revolution does not count yet
    # During the step its span is not full yet; that is no fault.
    faults = tuple(f for f in kept.faults if f != "cut_short")
    return ProvisionalValue(
        name=primary,
        value=publishable(summary.value(kept.statistic), faults),
        unit=units(pipeline)[primary],
        quality=worst(faults).value,
        n=summary.n,
        span_s=(kept.t - kept.start) / 1e9,
        reasons=tuple(WrittenRemark(f, {}, FAULTS[f].sentence) for f in faults),
    )


def _with_provisional(facts: Facts, kept: Kept | None) -> Facts:
    extra = [] if kept is None else [kept]
    return replace(facts, outcome="", reason=None, kept=[*facts.kept, *extra])
