"""The reason for which a step or a run ended, as a statement."""

from collections.abc import Iterator
from typing import Final

from daq.core.effects import Facts, StepEnded
from daq.core.plan import Plan, Rule
from daq.methods.parts.statement import Statement, state, statement_of
from daq.methods.planning.rules import statement_of_rule

OTHER_NAMES: Final = {"apparent_viscosity": "viscosity"}
"""Names that a method may use for a signal of the plan."""


def stop_reason(plan: Plan, facts: Facts, ended: StepEnded | None) -> Statement | None:
    """Return the rule that ended the step of the result, otherwise why the run ended; None while the run goes on."""
    if ended is not None and plan.seek is None:
        return rule_statement(plan, ended.step, ended.rule)
    return run_reason(facts)


def run_reason(facts: Facts) -> Statement | None:
    """Return why a run ended; None while it goes on."""
    return None if facts.reason is None else statement_of(facts.reason)


def rule_statement(plan: Plan, step: int, name: str) -> Statement:
    """Return the statement of a stop rule by its name: its figures, or the name where a person gave it one."""
    for leaf in plan.steps[step].stop.leaves():
        if leaf.name == name:
            found = next((s for s in _candidates(plan, leaf) if s.text == name), None)
            if found is not None:
                return found
    return state("rule_named", rule=name)


def _candidates(plan: Plan, leaf: Rule) -> Iterator[Statement]:
    """Give the statements of a rule under each name and unit that a method may use for its signal."""
    unit = plan.context.units.get(leaf.signal, "")
    for signal in (leaf.signal, OTHER_NAMES.get(leaf.signal, "")):
        yield statement_of_rule(leaf, signal, "%" if leaf.relative else unit)
        if leaf.kind == "steady" and unit == "Cel":
            yield statement_of_rule(leaf, signal, "K")
