"""Parameters of flow models lie in their intervals as often as claimed: a seeded part of `python -m tests.campaigns.coverage`."""

import dataclasses
import math
from collections import defaultdict

import pytest

from daq.rheology.flowcurves.flowmodels import MODELS
from tests.campaigns.coverage import curve_campaign as curve_module
from tests.campaigns.coverage.__main__ import main
from tests.campaigns.coverage.curve_campaign import (
    NON_NEWTONIAN,
    Cell,
    Tally,
    cells,
    curve_campaign,
    report_curves,
    with_progress,
)
from tests.campaigns.coverage.curves import FLUIDS, FORMS, simulate
from tests.campaigns.coverage.shares import Share, clopper_pearson, coverage_with_one_limit


def test_every_model_and_form_has_a_cell():
    assert {c.model for c in cells()} == set(MODELS)
    assert len(cells()) == 2 * len(MODELS) * len(FORMS)
    given = [
        k for f in FORMS.values() for k in ("torque", "torque_reading", "zero", "observed", "drift") if getattr(f, k)
    ]
    assert set(given) == {"torque", "torque_reading", "zero", "observed", "drift"}
    assert any("zero" in f.includes for f in FORMS.values())
    assert all(fluid.model == name for name, fluids in FLUIDS.items() for fluid in fluids)


def test_the_interval_of_a_share_is_the_exact_one():
    # scipy.stats.binomtest(95, 100).proportion_ci(), an independent way to the same definition.
    assert clopper_pearson(95, 100) == pytest.approx((0.8871651, 0.9835681), abs=1e-6)
    assert clopper_pearson(0, 10) == pytest.approx((0.0, 1.0 - 0.025**0.1), abs=1e-12)
    assert clopper_pearson(10, 10) == pytest.approx((0.025**0.1, 1.0), abs=1e-12)


@pytest.mark.parametrize(
    ("held", "holds"), [(322, False), (352, False), (366, True), (380, True), (392, True), (398, False)]
)
def test_the_verdict_is_that_of_the_campaigns_own_interval(held, holds):
    """Of 400: 80.5, 88, 91.5, 95, 98 and 99.5 %; two of them lie outside 93 to 97 % by chance alone."""
    assert Share(held, 400).holds is holds


def test_one_rectangular_error_alone_is_always_held():
    assert coverage_with_one_limit(0.0) == pytest.approx(0.95, abs=1e-4)
    assert coverage_with_one_limit(1.0) == pytest.approx(1.0, abs=1e-6)
    # Half of the variance: 0.95543 by numerical integration of the convolution in another step width.
    assert coverage_with_one_limit(0.5) == pytest.approx(0.9554, abs=2e-4)


def made(share, runs=400, limits=0.1, other=0.0):
    out = Tally(held=defaultdict(list), limits=defaultdict(list), total=runs, other_model=round(other * runs))
    out.held["eta"] = [i < share * runs for i in range(runs)]
    out.limits["eta"] = [limits] * runs
    return out


@pytest.mark.parametrize(
    ("tally", "good"),
    [
        (made(0.95), True),
        (made(0.87), False),
        (made(1.0), False),
        (made(1.0, limits=0.999), True),
        (made(0.95, other=0.04), True),
        (made(0.95, other=0.10), False),
    ],
    ids=["as claimed", "too few", "too many", "too many explained", "few others", "many others"],
)
def test_the_report_ends_with_the_verdict(capsys, tally, good):
    assert report_curves([(Cell("reading", "rectangular", "newtonian"), tally)]) is good
    shown = capsys.readouterr().out
    assert ("DOES NOT HOLD" in shown) is not good
    assert f"{tally.other_model / tally.total:.1%}" in shown
    assert (" > " in shown.partition("rectangular\n")[2]) is (tally.limits["eta"][0] > 0.9)


def test_a_cell_is_the_same_again():
    cell = Cell("reading, zero stated", "rectangular", "bingham")
    first, again = (curve_campaign(1, 3, which=[cell])[cell] for _ in range(2))
    assert (first.held, first.limits) == (again.held, again.limits)
    assert all(0.0 < x < 1.0 for x in first.limits["tau_y"])


def test_the_share_held_at_most_is_the_mean_over_the_intervals():
    """Half of the instruments have almost only a rectangular error, half almost none: the mean part says too little."""
    tally = made(0.975)
    tally.limits["eta"] = [0.99, 0.1] * 200
    assert tally.most_held("eta") == pytest.approx((coverage_with_one_limit(0.99) + coverage_with_one_limit(0.1)) / 2)
    assert tally.most_held("eta") > coverage_with_one_limit(tally.part_of_limits("eta")) + 0.005


def test_a_row_is_shown_before_the_next_one_is_computed(capsys):
    """A campaign that is interrupted has shown every row that it finished."""
    shown, progress = [], []

    def rows():
        for form in ("reading", "reading, zero stated"):
            yield Cell(form, "rectangular", "newtonian"), made(0.95)
            out, err = capsys.readouterr()
            shown.append(out)
            progress.append(err)

    assert report_curves(with_progress(rows(), 2))
    assert [s.count("eta 95.0%") for s in shown] == [1, 1]
    assert [p.split(" rows")[0] for p in progress] == ["1 of 2", "2 of 2"]


@pytest.mark.parametrize(("second", "good"), [(0.95, True), (0.89, False)], ids=["chance", "wrong again"])
def test_a_contradicted_row_is_measured_again_and_that_decides(monkeypatch, capsys, second, good):
    asked = []

    def measured(cell, seed, runs):
        asked.append((cell.model, seed, runs))
        wrong = cell.model == "bingham"
        return made((0.89 if seed == 1 else second) if wrong else 0.95, runs)

    monkeypatch.setattr(curve_module, "tally", measured)
    which = [Cell("reading", "normal", model) for model in ("newtonian", "bingham", "casson")]
    assert curve_module.judge_curves(1, 400, which=which) is good
    assert asked == [("newtonian", 1, 400), ("bingham", 1, 400), ("casson", 1, 400), ("bingham", 2, 1200)]
    assert "the 1 rows with '!' again" in capsys.readouterr().out


def test_too_many_other_models_are_not_measured_again(monkeypatch):
    """All Newtonian fluids together decide; each of their rows alone would pass."""
    monkeypatch.setattr(curve_module, "tally", lambda cell, seed, runs: made(0.95, runs, other=0.065))
    which = [Cell(form, "normal", "newtonian") for form in FORMS]
    assert made(0.95, 200, other=0.065).is_as_claimed(which[0])
    assert not curve_module.judge_curves(1, 200, which=which)


def test_models_and_forms_are_chosen(capsys):
    asked = ["--runs", "0", "--curves", "2", "--processes", "1", "--models", "cross", "newtonian", "--forms", "reading"]
    main(asked)
    shown = [line.split()[0] for line in capsys.readouterr().out.splitlines() if line.startswith("  ")]
    assert shown == ["cross", "newtonian"] * 2
    with pytest.raises(SystemExit):
        main([*asked, "no such form"])


@pytest.mark.parametrize("model", FLUIDS)
def test_the_fits_do_not_depend_on_the_other_models_yield_stresses(model):
    case = Cell("reading, zero stated", "normal", model).case(0)
    assert case.parameters_only
    short, full = (simulate(dataclasses.replace(case, parameters_only=yes), "one").curve for yes in (True, False))
    assert short.yield_stress is None
    assert full.fits
    assert short.fits == full.fits
    assert short.chosen == full.chosen


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
def test_every_parameter_of_every_model_is_held_as_often_as_claimed(form):
    found = curve_campaign(7, 20, which=cells(forms=[form]))
    assert report_curves(found.items())
    # All parameters of all models together: some 360 intervals that are not independent of each other.
    normal = [h for c, t in found.items() if c.distribution == "normal" for held in t.held.values() for h in held]
    assert len(normal) > 340
    assert 0.91 < math.fsum(normal) / len(normal) < 0.985
    others = [t.called_other for c, t in found.items() if c.model == "newtonian"]
    assert clopper_pearson(sum(s.held for s in others), sum(s.total for s in others))[0] <= NON_NEWTONIAN
