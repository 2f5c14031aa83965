"""Parameters of flow models lie in their intervals as often as claimed: a seeded part of `python -m tests.campaigns.coverage`."""

import dataclasses
import math
from collections import defaultdict

import numpy as np
import pytest
from scipy.stats import binomtest

from daq.rheology.flowcurves.flowmodels import MODELS
from tests.campaigns.coverage import curve_campaign as curve_module
from tests.campaigns.coverage.__main__ import main
from tests.campaigns.coverage.curve_campaign import (
    NON_NEWTONIAN,
    Cell,
    Tally,
    cells,
    contradicted,
    curve_campaign,
    over_coverage,
    report_curves,
    with_progress,
)
from tests.campaigns.coverage.curves import FLUIDS, FORMS, simulate
from tests.campaigns.coverage.shares import (
    Share,
    clopper_pearson,
    coverage_with_one_limit,
    coverage_with_two_values,
    family_confidence,
    needed,
    passing,
)


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
    ("given", "good"),
    [
        ({"share": 0.95}, True),
        ({"share": 0.87}, False),
        ({"share": 1.0}, False),
        ({"share": 1.0, "limits": 0.999}, True),
        ({"share": 0.95, "other": 0.04}, True),
        ({"share": 0.95, "other": 0.10}, False),
    ],
    ids=["as claimed", "too few", "too many", "too many explained", "few others", "many others"],
)
def test_the_report_ends_with_the_verdict(monkeypatch, capsys, given, good):
    monkeypatch.setattr(curve_module, "tally", lambda cell, seed, runs: made(runs=runs, **given))
    assert curve_module.judge_curves(1, 400, which=[Cell("reading", "rectangular", "newtonian")]) is good
    shown = capsys.readouterr().out
    assert shown.endswith(f"flow curves: {'holds' if good else 'DOES NOT HOLD'}\n")
    assert shown.count("flow curves:") == 1
    assert f"{given.get('other', 0.0):.1%}" in shown
    assert (" > " in shown.partition("rectangular\n")[2]) is (given.get("limits", 0.0) > 0.9)


def test_a_model_that_is_refused_in_all_rows_does_not_hold(monkeypatch, capsys):
    monkeypatch.setattr(curve_module, "tally", lambda cell, seed, runs: Tally(total=runs, refused=runs))
    assert not curve_module.judge_curves(1, 60, which=[Cell("reading", "normal", "cross")])
    assert "cross (reading; normal) refused in all" in capsys.readouterr().out


def test_the_numbers_that_show_a_share():
    """Independent: scipy.stats.binomtest gives the same exact intervals."""
    for confidence in (0.95, family_confidence(360)):
        total = needed(confidence)
        for n, shown in ((total, True), (total - 20, False)):
            low, high = binomtest(round(0.95 * n), n).proportion_ci(confidence)
            assert (low >= 0.93 and high <= 0.97) is shown
    low, high = passing(400)
    for held, ok in ((low, True), (low - 1 / 400, False), (high, True), (high + 1 / 400, False)):
        ends = binomtest(round(held * 400), 400).proportion_ci(0.95)
        assert (ends.high >= 0.93 and ends.low <= 0.97) is ok


def test_the_report_names_the_numbers_of_instruments(monkeypatch, capsys):
    monkeypatch.setattr(curve_module, "tally", lambda cell, seed, runs: made(0.95, runs))
    which = [Cell(form, "normal", "casson") for form in FORMS]
    for runs, shown in ((60, 0), (needed(), 10)):
        assert curve_module.judge_curves(1, runs, which=which)
        out = " ".join(capsys.readouterr().out.split())
        assert f"10 shares of {runs} instruments each" in out
        assert f"from {needed()} instruments on, all of them together from {needed(family_confidence(10))} on" in out
        assert f"Shown here: {shown} each" in out
    assert "above 100" not in out
    assert passing(60)[1] == 1.0


def drawn_tallies(rng, share):
    """Return a stand-in for `tally`: intervals that hold with the probability `share(cell)`."""

    def tally(cell, seed, runs):
        out = Tally(total=runs)
        for name in MODELS[cell.model].parameters:
            out.held[name] = list(rng.random(runs) < share(cell))
            out.limits[name] = [0.0] * runs
        return out

    return tally


@pytest.mark.slow
def test_a_campaign_at_the_limit_of_the_claim_fails_in_at_most_five_of_a_hundred(monkeypatch):
    """All true shares 93 %: about nine of 360 intervals are doubted each time, but the second measurement decides."""
    rng = np.random.default_rng(5)
    monkeypatch.setattr(curve_module, "tally", drawn_tallies(rng, lambda _: 0.93))
    failed = sum(not curve_module.judge_curves(1, 60) for _ in range(40))
    assert clopper_pearson(failed, 40)[0] <= 0.05, failed


def test_one_wrong_row_of_all_is_found(monkeypatch):
    rng = np.random.default_rng(6)
    wrong = Cell("full scale, zero stated", "normal", "bingham")
    monkeypatch.setattr(curve_module, "tally", drawn_tallies(rng, lambda cell: 0.85 if cell == wrong else 0.95))
    assert sum(not curve_module.judge_curves(1, 200) for _ in range(5)) == 5


@pytest.mark.parametrize(
    ("form", "distribution", "share", "limits", "reason"),
    [
        ("reading", "rectangular", 0.95, 0.9, ""),
        ("reading", "rectangular", 0.98, 0.9, "its own interval does not exclude"),
        ("reading", "rectangular", 1.0, 0.999, "1.73 times"),
        ("reading", "normal", 1.0, 0.999, "NOT EXPLAINED"),
        ("nothing stated", "rectangular", 1.0, 0.0, "NOT EXPLAINED"),
        ("reading, zero observed", "rectangular", 1.0, 0.9, "zero seen at rest"),
    ],
)
def test_over_coverage_is_explained_for_each_form(capsys, form, distribution, share, limits, reason):
    cell = Cell(form, distribution, "newtonian")
    tally = made(share, limits=limits)
    assert reason in over_coverage(cell, tally.shares(cell)["eta"])
    report_curves([(cell, tally), (Cell(form, distribution, "casson"), made(0.95))])
    shown = capsys.readouterr().out
    assert ("above 97%, " in shown) is bool(reason)
    assert reason in shown
    assert tally.is_as_claimed(cell) is ("NOT EXPLAINED" not in reason)


def test_an_observed_zero_is_always_held():
    """One size and either sign: 1 from a part of the variance of 0.9 on, by the normal distribution of the rest."""
    assert coverage_with_two_values(0.0) == pytest.approx(0.95, abs=1e-4)
    assert coverage_with_two_values(1.0) == 1.0
    share, rng = 0.6, np.random.default_rng(1)
    errors = rng.choice((-1.0, 1.0), 400_000) * math.sqrt(share) + rng.normal(0.0, math.sqrt(1.0 - share), 400_000)
    assert coverage_with_two_values(share) == pytest.approx(np.mean(np.abs(errors) <= 1.96), abs=2e-3)


def test_a_cell_is_the_same_again():
    cell = Cell("reading, zero stated", "rectangular", "bingham")
    first, again = (curve_campaign(1, 3, which=[cell])[cell] for _ in range(2))
    assert (first.held, first.limits) == (again.held, again.limits)
    assert all(0.0 < x < 1.0 for x in first.limits["tau_y"])


def test_the_share_held_at_most_is_the_mean_over_the_intervals():
    """Half of the instruments have almost only a rectangular error, half almost none: the mean part says too little."""
    tally, cell = made(0.975), Cell("reading", "rectangular", "newtonian")
    tally.limits["eta"] = [0.99, 0.1] * 200
    assert tally.most_held("eta", cell) == pytest.approx(
        (coverage_with_one_limit(0.99) + coverage_with_one_limit(0.1)) / 2
    )
    assert tally.most_held("eta", cell) > coverage_with_one_limit(tally.part_of_limits("eta")) + 0.005


def test_a_row_is_shown_before_the_next_one_is_computed(capsys):
    """A campaign that is interrupted has shown every row that it finished."""
    shown, progress = [], []

    def rows():
        for form in ("reading", "reading, zero stated"):
            yield Cell(form, "rectangular", "newtonian"), made(0.95)
            out, err = capsys.readouterr()
            shown.append(out)
            progress.append(err)

    assert len(report_curves(with_progress(rows(), 2))) == 2
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
    shown = [
        line.split()[0] for line in capsys.readouterr().out.splitlines() if line.startswith("  ") and line[2] != " "
    ]
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
    found = curve_campaign(7, 12, which=cells(forms=[form]))
    assert contradicted(report_curves(found.items()))[0] == []
    # All parameters of all models together: some 215 intervals that are not independent of each other.
    normal = [h for c, t in found.items() if c.distribution == "normal" for held in t.held.values() for h in held]
    assert len(normal) > 200
    assert 0.9 < math.fsum(normal) / len(normal) < 0.995
    others = [t.called_other for c, t in found.items() if c.model == "newtonian"]
    assert clopper_pearson(sum(s.held for s in others), sum(s.total for s in others))[0] <= NON_NEWTONIAN
