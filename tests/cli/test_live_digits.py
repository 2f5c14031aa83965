"""The live screens print a value with the digits of the interval to expect, and their number does not jump."""

import functools

import pytest

from daq.app.run.live_digits import LiveDigits
from daq.app.screens.bench_panes import shift_lines
from daq.app.screens.run_screen import live_lines, plain_line
from daq.app.screens.styled_lines import text_of
from daq.methods.concluding.conclude import conclude
from daq.methods.planning.compile import compile_plan
from daq.quality.digits import decimals_for, to_place
from daq.testing.bench import Bench
from tests.cli.uncertain_results import beyond
from tests.support.instruments.example_pairs import pair
from tests.support.runs.examples import example
from tests.support.views import view_of

ERRORS = (None, 0.02, 0.1, 0.3, 0.38, 0.42, 0.5, 1.0, 3.5, 4.3, 8.0)
"""Limits of the torque (% of full scale): expanded uncertainties from a thousandth to a fifth of the value."""
FLUIDS = ("clear-glaze", "clear-glaze-thick")


@functools.cache
def views_of(error, fluid, seed=3):
    """Return the views of a run every 1.3 s, its plan, and what it is concluded as."""
    pairs = {"bench-1": pair("bench-1", seed, fluid=fluid), "thermo-1": pair("thermo-1", seed)}
    instrument, driver, _ = pairs["bench-1"]
    given = instrument.specification
    changes = {"torque": error} if error is not None else {"torque": None, "includes": ()}
    instrument = instrument.model_copy(update={"specification": given.model_copy(update=changes)})
    thermometer = pairs["thermo-1"]
    plan = compile_plan(
        example("methods/clear-glaze-qc.toml"), instrument, driver, companions=[thermometer[:2]], choices={"speed": 20}
    )
    bench = Bench(plan, {n: d for n, (_, d, _) in pairs.items()}, {n: box for n, (_, _, box) in pairs.items()})
    bench.begin()
    digits = LiveDigits(plan)
    views = []
    for i in range(1, 200):
        bench.run(i * 1.3)
        views.append(view_of(bench, digits))
        if bench.motor:
            break
    return [v for v in views if v.state == "measuring" and v.value is not None], plan, conclude(plan, bench.facts)


def texts(view):
    """Every live text of a run, by the name of its screen."""
    return {
        "screen": "\n".join(text_of(line) for line in live_lines(view, 80, 40)),
        "wide": "\n".join(text_of(line) for line in live_lines(view, 160, 40)),
        "line": plain_line(view),
        "panes": "\n".join(text_of(line) for line in shift_lines("demo", {"bench-1": view}, [], 80, 40)),
    }


@pytest.mark.parametrize("fluid", FLUIDS)
@pytest.mark.parametrize("error", ERRORS)
def test_a_live_value_has_no_digit_beyond_the_interval_of_its_result(error, fluid):
    views, _, found = views_of(error, fluid)
    assert len(views) > 25
    expanded = found.uncertainty.expanded
    if error is None:
        assert expanded is None  # the result has four digits, and so has the live value
        return
    wrong = {
        (name, *beyond(text, expanded, view.value.value))
        for view in views
        for name, text in texts(view).items()
        if beyond(text, expanded, view.value.value)
    }
    assert wrong == set()
    last = views[-1]
    assert to_place(last.value.value, min(decimals_for(expanded), last.decimals["viscosity"])) in texts(last)["line"]


@pytest.mark.parametrize("fluid", FLUIDS)
@pytest.mark.parametrize("error", ERRORS)
def test_the_number_of_digits_does_not_jump_back_and_forth(error, fluid):
    views, _, _ = views_of(error, fluid)
    for signal in ("viscosity", "stress", "torque_abs"):
        places = [view.decimals.get(signal) for view in views]
        known = [p for p in places if p is not None]
        assert known == sorted(known, reverse=True), signal
        # Once they are known they stay known.
        assert None not in places[places.index(known[0]) :] if known else True


@pytest.mark.slow
def test_a_new_step_has_its_own_digits_and_keeps_the_old_ones_until_it_has_a_value():
    views, plan, _ = views_of(1.0, "clear-glaze")
    digits = LiveDigits(plan)
    digits._least["viscosity"] = -2
    assert digits.decimals((0, 20.0), None, None, {})["viscosity"] == -2
    assert views[-1].decimals["viscosity"] == 0


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [(802.2, 0, "802"), (802.2, -1, "800"), (807.2, -1, "810"), (44.0, -2, "0"), (0.0, 2, "0.00"), (None, 1, "-"),
     (float("nan"), 1, "-"), (-0.001, 1, "0.0"), (178.4999, 3, "178.500"), (8.12345e12, -10, "8.12e+12"),
     (1.2345e-7, 9, "1.23e-07"), (1.0, 300, "1." + "0" * 300)],
)  # fmt: skip
def test_a_number_that_ends_at_a_place(value, places, text):
    assert to_place(value, places) == text
