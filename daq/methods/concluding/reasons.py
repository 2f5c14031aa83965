"""The reasons for which a value is not simply valid: its faults with the figures of the run, and the end of the run."""

from collections.abc import Sequence
from typing import Final

from daq.core.effects import Facts, Kept
from daq.core.linkstates import IdentityCheck
from daq.core.plan import Plan
from daq.core.remarks import Parameter
from daq.methods.concluding.applying import suspicions
from daq.methods.concluding.budget import torque_at_rest
from daq.methods.concluding.stopping import run_reason
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.standing import CONTROL_FAULTS, control_statement, standing_statements

OUTCOME_FAULT: Final = {"interrupted": "interrupted", "failed": "incomplete", "stopped": "incomplete"}
"""Fault of a value by the outcome of its run."""
_CHECKS: Final = {"another_instrument": IdentityCheck.CHANGED, "identity_unknown": IdentityCheck.NO_ANSWER}


def reasons_of(
    plan: Plan, facts: Facts, kept: Kept | None, row: KeptValue | None, faults: Sequence[str]
) -> tuple[Statement, ...]:
    """Return the statements of all faults, and last the reason of a run that did not come to its end."""
    found = [statement for fault in faults for statement in _statements(plan, facts, kept, row, fault)]
    ended = run_reason(facts) if facts.outcome in OUTCOME_FAULT else None
    return tuple(found if ended is None else [*found, ended])


def _statements(plan: Plan, facts: Facts, kept: Kept | None, row: KeptValue | None, fault: str) -> list[Statement]:
    """Return the statements of a fault: one, or one for each instrument whose identity is in question."""
    if fault in _CHECKS:
        asked = [i for i in facts.identities if i.check is _CHECKS[fault]]
        return [state(fault, instrument=i.link, detail=i.detail) for i in asked] or [state(fault)]
    if fault in ("verification_failed", "verification_overdue", "calibration_past_due"):
        return standing_statements(plan.context, fault) or [state(fault)]
    if fault in CONTROL_FAULTS.values():
        return [control_statement(plan.context, fault, plan.lead.name)]
    if fault == "zero_off":
        return [state(fault, torque=torque_at_rest(plan, facts))]
    if fault == "probe_suspect" and kept is not None:
        return [state(fault, faults=suspicions(kept))]
    return [state(fault, **({} if row is None else _figures(plan, row, fault)))]


def _figures(plan: Plan, row: KeptValue, fault: str) -> dict[str, Parameter]:
    if fault in ("below_band", "above_band"):
        return {"torque": row.torque_percent}
    if fault == "off_temperature":
        c = plan.conditioning
        return {"temperature": row.temperature, "low": c.low, "high": c.high}
    if fault == "off_limit_temperature":
        return {"temperature": row.temperature}
    if fault == "off_speed":
        return {"speed": row.speed, "set_speed": row.set_speed}
    if fault in ("cut_short", "readings_missing"):
        return {"readings": row.n, "span": row.span_seconds}
    return {}
