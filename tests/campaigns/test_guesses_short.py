"""Descriptions made from captures end right, in a question, or refused: a small part of `python -m tests.campaigns.guesses`."""

import pytest

from daq.descriptions.capture import Capture, Piece
from daq.descriptions.guessing.guess import guess_description
from tests.campaigns.guesses.judge import judged
from tests.support.instruments.driver_cases import CASES, NAMES

#: Seeds whose captures have two or three different lines near zero, without an identity.
NEAR_ZERO = (4, 6, 12)


def verdict(name, seed):
    driver, options, kind, given = CASES[NAMES.index(name)]
    return judged(driver, options, kind, given, seed)


@pytest.mark.parametrize(
    "seed", [pytest.param(s, marks=pytest.mark.slow if s != NEAR_ZERO[0] else ()) for s in NEAR_ZERO]
)
def test_a_few_readings_of_a_balance_near_zero_are_refused_with_what_to_do(seed):
    found = verdict("balance", seed)
    assert found.outcome == "refused"
    assert "let the value change" in found.why


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_no_description_is_wrong(name):
    for seed in range(101, 104):
        found = verdict(name, seed)
        assert found.outcome != "wrong", f"seed {seed}: {found.why}\n{found.text}"


def test_another_form_of_a_quantity_is_no_second_channel():
    """An answer with a state and one without it: the same mass, with a question."""
    lines = (b"mass=1.25 g", b"mass=2.25 g; moving now", b"mass=3.50 g", b"mass=4.75 g; moving now", b"mass=5.25 g")
    pieces = [
        p for i, line in enumerate(lines) for p in (Piece(2 * i, ">", b"M\r\n"), Piece(2 * i + 1, "<", line + b"\r\n"))
    ]
    guess = guess_description("made", Capture(pieces), "made.capture")
    assert guess.text.count("[[channel]]") == 1
    assert any("are the same quantity" in point for point in guess.open_points)
