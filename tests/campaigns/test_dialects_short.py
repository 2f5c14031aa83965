"""No random dialect ends VALID with a wrong value, and most end right: a small part of `python -m tests.campaigns.dialects`."""

import ast
from pathlib import Path

import pytest

from tests.campaigns.dialects import speaker
from tests.campaigns.dialects.dialect import drawn
from tests.campaigns.dialects.judge import judged


def test_the_simulator_shares_nothing_with_the_program():
    tree = ast.parse(Path(speaker.__file__).read_text("utf-8"))
    named = {n.name for node in ast.walk(tree) if isinstance(node, ast.Import) for n in node.names}
    named |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert named == {"random", "struct", "dataclasses", "functools", "operator"}


@pytest.mark.parametrize("seed", [3, 9, 69, 141])
def test_a_dialect_with_true_answers_is_right(seed):
    """Decimal comma and bits; full scale; units that switch behind missing numbers; a name that could be a unit."""
    found = judged(seed, kit=False)
    assert found.outcome == "right", f"{found.outcome}: {found.why}\n{found.text}"


@pytest.mark.slow
def test_no_dialect_is_valid_with_a_wrong_value_and_four_in_five_are_right():
    seeds = [seed for seed in range(2001, 2012) if not drawn(seed).binary]
    found = {seed: judged(seed, kit=seed % 4 == 0) for seed in seeds}
    unanswered = {seed: judged(seed, answers=False, kit=False) for seed in seeds}
    wrong = {seed: one.why for part in (found, unanswered) for seed, one in part.items() if one.outcome == "wrong"}
    assert wrong == {}
    assert not any(one.outcome == "right" for one in unanswered.values())  # the range is always asked
    right = sum(one.outcome == "right" for one in found.values())
    assert right * 5 >= 4 * len(found), {seed: (one.outcome, one.why) for seed, one in found.items()}
