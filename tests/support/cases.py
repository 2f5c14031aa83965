"""Which cases of a function the quick tests and the slow tests run, by measured times; `python -m tests.durations` renews these."""

import json
from collections.abc import Sequence
from pathlib import Path

DURATIONS = Path(__file__).parents[1] / "durations.json"
QUICK_CASE_S = 0.25
"""A case that takes longer (s) is a slow one."""
QUICK_S = 0.5
"""Longest time (s) of all quick cases of one function."""
MAIN_JOB = "tests/e2e/test_main_job.py"
"""The file that stays quick although it takes long."""
HOUSE = ("tests/docs/test_imports.py", "tests/docs/test_sentences.py", "tests/docs/test_words.py")
"""Rules that every change can break: quick although they read all files, so that a break is found at once."""
SLOW_S = 8.0
LEAST = 4
"""Longest time (s) of all slow cases of one function, or the number of its slow cases if these take longer."""
ONLY_WHOLE = (
    "tests/methods/test_curve.py::test_the_true_parameters_lie_within_the_stated_intervals",
    "tests/methods/test_hidden_plateaus.py::test_a_true_yield_stress_over_two_decades_keeps_its_value",
    "tests/methods/test_hidden_plateaus.py::test_hidden_plateaus_give_no_unmarked_yield_stress",
    "tests/methods/test_reportable.py::test_the_interval_of_the_mean_holds_the_true_value",
    "tests/methods/test_yield_dependence.py::test_a_stiff_fluid_over_a_narrow_span",
    "tests/methods/test_yield_dependence.py::test_a_wide_span_with_little_scatter_is_seldom_marked",
    "tests/methods/test_yield_dependence.py::test_every_published_yield_stress_is_right_or_marked",
    "tests/methods/test_yield_dependence.py::test_of_six_rates_without_the_mark_at_most_five_in_a_hundred_are_wrong",
    "tests/rheology/test_curvefit.py::test_intervals_hold_the_truth_as_often_as_they_say",
)
"""Shares of intervals that hold the truth, over hundreds of fits: only whole sweeps run these functions.

For each change `tests/campaigns/test_coverage_short.py` and `test_curve_coverage_short.py` count such shares over fewer fits."""
SWEEP = 9
"""Least number of cases of a sweep; the cases of a function of fewer are all run."""
WHOLE = (
    "tests/campaigns/",
    "tests/docs/",
    "tests/kit/test_conformance.py::test_every_fault_planted_in_a_description_is_found",
    "tests/kit/test_conformance.py::test_every_planted_fault_is_found",
    "tests/kit/test_never_guessed.py",
    "tests/reference/",
)
"""Sweeps of which every case runs, quick or slow: parts of campaigns already, planted faults, and values from outside."""


def durations() -> dict[str, float]:
    """Return the mean time (s) of a case of each function, by its id, and the times of cases that are much longer.

    Short ones are not kept.
    """
    kept: dict[str, float] = json.loads(DURATIONS.read_text())
    return kept


def spread(number: int, of: int) -> set[int]:
    """Return a number of the places 0 to `of` - 1, evenly spread, the first one among them."""
    return {place * of // number for place in range(number)}


def divided(places: Sequence[int], name: str, mean_s: float | None, *, quick: bool) -> tuple[set[int], set[int]]:
    """Return the cases of a function that are quick, and those that are slow; only whole sweeps run the rest.

    Args:
        places: places of the cases of the function.
        name: id of the function, or of a case that has a time of its own.
        mean_s: mean time (s) of a case; None where it is short, or new.
        quick: whether its cases may be quick.
    """
    if name.partition("[")[0] in ONLY_WHOLE:
        return set(), set()
    if mean_s is None or name.startswith((MAIN_JOB, *HOUSE)):
        return (set(places), set()) if quick else (set(), set(places))
    first = _taken(places, QUICK_S / mean_s) if quick and mean_s <= QUICK_CASE_S else set()
    is_sweep = len(places) >= SWEEP and not name.startswith(WHOLE)
    rest = [place for place in places if place not in first]
    return first, _taken(rest, max(LEAST, SLOW_S / mean_s) if is_sweep else len(rest))


def _taken(places: Sequence[int], most: float) -> set[int]:
    """Return places, evenly spread: as many as allowed, and at least one."""
    return {places[n] for n in spread(min(max(1, int(most)), len(places)), len(places))}
