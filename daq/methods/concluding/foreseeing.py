"""Find out before a run whether its result can be comparable with the limits of its product.

The run is judged as if everything went as planned, by the same function that judges its result, so that the two can
not differ: `daq.methods.concluding.applying.hindrances`.
"""

from dataclasses import replace

from daq.core.context import ProductLimit
from daq.core.effects import Kept
from daq.core.faults import worst
from daq.core.plan import Plan
from daq.core.statistics import Summary
from daq.methods.concluding.applying import Subject, hindrances
from daq.methods.concluding.claims import result_quantity
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, distinct


def foreseen(plan: Plan) -> tuple[Statement, ...]:
    """Return why the result of a plan cannot be comparable with the limits of its product.

    Empty where at least one limit can apply, and where the result gets no verdict under limits.  Of limits of several
    quantities those of the result's quantity give the reasons.  Reasons that only the run itself can show, such as a
    temperature that leaves its band, are not among them.  Nor is a control that has not passed: the run is possible,
    and a person is warned before it.
    """
    plan = replace(plan, context=replace(plan.context, control=None))
    product = plan.context.product
    if product is None or not product.limits or plan.seek is not None or plan.context.verification is not None:
        return ()
    quantity, unit = result_quantity(plan)
    reasons = [(limit, hindrances(_as_planned(plan, quantity, unit, limit), limit)) for limit in product.limits]
    if not all(found for _, found in reasons):
        return ()
    own = [found for limit, found in reasons if limit.quantity == quantity] or [found for _, found in reasons]
    return distinct(reason for found in own for reason in found)


def _as_planned(plan: Plan, quantity: str, unit: str, limit: ProductLimit) -> Subject:
    """Return the result of a run in which everything that is not planned agrees with the limit."""
    number = plan.context.result_step
    step = plan.steps[number]
    kept = Kept(
        t=0, step=number, at="end", statistic="mean", start=0, asked_ns=0, revolutions=0.0,
        summaries=_temperature(plan, limit), faults=(), longest_interval_ns=0, completeness=1.0, speed=step.speed,
    )  # fmt: skip
    row = KeptValue(
        step=number, name=step.name, at="end", set_speed=step.speed, n=0, span_seconds=0.0, quality=worst(())
    )
    return Subject(plan, quantity, unit, None, row, kept)


def _temperature(plan: Plan, limit: ProductLimit) -> dict[str, Summary]:
    """Return the planned temperature that is nearest to the limit's; none where the run measures no temperature."""
    gate = plan.conditioning
    signal = gate.signal or "temperature"
    if limit.temperature is None or signal not in plan.context.units:
        return {}
    nearest = min(max(limit.temperature, gate.low), gate.high) if gate.signal else limit.temperature
    return {signal: Summary(1, mean=nearest, minimum=nearest, maximum=nearest)}
