"""The reportable result of a sample: duplicates, a third, the median; every attempt listed with what became of it."""

import itertools
import math

import numpy as np
import pytest

from daq.core.errors import SettingError
from daq.methods.concluding.intervals import stated_interval
from daq.methods.concluding.reportable import Attempt, reportable
from daq.methods.files.load import load_product
from daq.methods.parts.statement import state
from daq.quality.replicates import mean_uncertainty, repeatability_deviation
from daq.rheology.uncertainty import Component, Distribution, from_limit
from tests.support.runs.examples import CONFIG, example, load_changed
from tests.support.statements import codes, parameters

ENGOBE = example("products/engobe.toml")  # two, a third where they differ by more than 5 %; limits 4.0 to 7.0 Pa.s


WHY = state("limit_at_other_speed", wanted=12.0, speed=30.0).model_dump(mode="json")
LOW = state("below_band", torque=8.0).model_dump(mode="json")


def uncertainty(value, torque, **more):
    """The stated uncertainty of a run: a limit of the instrument, half-width `torque`, and readings that scatter by 0.003."""
    parts = [from_limit("torque", torque), Component("scatter of readings (Type A)", 0.003, Distribution.STUDENT, 50.0)]
    return (
        None
        if value is None
        else stated_interval(value, parts, (), unit="Pa.s", seed=1, **more).model_dump(mode="json")
    )


def result(value, *, fill=None, verdict="within", **more):
    """One run with its stored result; made in the order of the calls."""
    result.n += 1
    run = f"{result.n:08d}-run"
    limit = {"quantity": "viscosity", "low": 4.0, "high": 7.0, "unit": "Pa.s", "verdict": verdict, "reasons": [WHY]}
    data = {
        "value": value, "unit": "Pa.s", "quantity": "viscosity", "validity": "valid" if value is not None else "not_valid",
        "reasons": [], "outcome": "complete", "sample": {"id": "E-1", "sheared": False},
        "method": {"id": "engobe-qc", "version": "1", "digest": "d", "choices": {}},
        "geometry": {"name": "cylinder-9", "vessel": "low"}, "uncertainty": uncertainty(value, 0.05 + result.n / 100),
        "verdict": {"limits": [limit]}, **more,
    }  # fmt: skip
    return Attempt(
        run, "2026-01-05T08:00:00.000Z", "engobe-qc 1", "bench-2", fill or run, value, "Pa.s", "valid", False
    ), data


@pytest.fixture(autouse=True)
def _numbered():
    result.n = 0


def counted(r):
    return [a.counted for a in r.attempts]


def test_duplicates_that_agree_are_averaged():
    # Their range 0.2 is within 5 % of their mean: 0.255. The mean 5.1 reported with 2 digits.
    r = reportable("E-1", [result(5.0), result(5.2)], ENGOBE)
    assert (r.value, r.reported, r.decided, r.verdict, r.rounding) == (5.1, "5.1", "mean", "within", "rounded")
    assert parameters([r.how], "mean_of_results") == {
        "results": 2, "spread": pytest.approx(0.2), "limit": pytest.approx(0.255), "unit": "Pa.s",
    }  # fmt: skip
    assert counted(r) == [True, True]


def test_duplicates_that_do_not_agree_ask_for_a_third():
    r = reportable("E-1", [result(5.0), result(5.6)], ENGOBE)
    assert (r.value, r.decided, r.verdict) == (None, "more", "none")
    assert r.how.code == "one_more_result"


def test_a_third_that_agrees_makes_the_mean_of_three():
    """ISO 5725-6: critical range of three is f(3)/f(2) = 3.31/2.77 = 1.195 times that of two."""
    r = reportable("E-1", [result(5.0), result(5.3), result(5.15)], ENGOBE)
    # 0.3 against 5 % of 5.15: 0.2575 for two, 0.308 for three.
    assert (r.decided, r.value) == ("mean", pytest.approx(5.15))
    assert r.how.parameters["limit"] == pytest.approx(0.05 * 5.15 * 3.3145 / 2.7718, rel=1e-3)


def test_three_that_do_not_agree_give_the_median_and_none_is_dropped():
    r = reportable("E-1", [result(5.0), result(5.6), result(5.1)], ENGOBE)
    assert (r.decided, r.value, r.verdict) == ("median", 5.1, "within")
    assert counted(r) == [True, True, True]
    assert r.how.code == "median_of_results"


def test_an_outlier_is_named_and_counts(tmp_path):
    product = load_changed(tmp_path, "products/engobe.toml", ("count = 2\nmost = 3", "count = 5\nmost = 5"))
    r = reportable("E-1", [result(v) for v in (5.0, 5.01, 5.02, 5.0, 6.5)], product)
    assert r.decided == "median"
    assert counted(r) == [True] * 5
    # Grubbs' critical G for 5 values, two-sided 5 %: 1.715; Dixon's Q: 0.710 (the tables of Grubbs and of Rorabacher).
    figures = {"value": 6.5, "unit": "Pa.s"}
    by_grubbs = {"statistic": pytest.approx(1.789, abs=5e-4), "critical": pytest.approx(1.715, abs=5e-4)}
    by_dixon = {"statistic": pytest.approx(0.987, abs=5e-4), "critical": pytest.approx(0.710, abs=5e-4)}
    assert parameters(r.outliers, "grubbs_outlier") == figures | by_grubbs
    assert parameters(r.outliers, "dixon_outlier") == figures | by_dixon


def test_a_repeat_on_the_same_fill_is_no_replicate():
    r = reportable("E-1", [result(5.0, fill="F-1"), result(5.01, fill="F-1"), result(5.2, fill="F-2")], ENGOBE)
    assert counted(r) == [True, False, True]
    assert parameters(r.attempts[1].why, "fill_repeated") == {"run": "00000001"}
    assert r.value == 5.1


def test_a_fill_whose_first_run_was_not_valid_may_still_count():
    r = reportable("E-1", [result(None, fill="F-1"), result(5.0, fill="F-1"), result(5.2)], ENGOBE)
    assert counted(r) == [False, True, True]


def test_all_that_does_not_count_is_listed_with_the_reason():
    other = {"id": "engobe-qc", "version": "2", "digest": "e", "choices": {}}
    chosen = {"id": "engobe-qc", "version": "1", "digest": "d", "choices": {"speed": 6}}
    runs = [
        result(5.0, validity="doubtful", reasons=[LOW]),
        result(5.0, sample={"id": "E-1", "sheared": True}),
        result(5.0, verification={"passed": True}),
        (result(5.0)[0], None),
        result(5.1),
        result(5.0, method=other),
        result(5.0, method=chosen),
        result(5.0, geometry={"name": "cylinder-6", "vessel": "low"}),
        result(5000.0, unit="mPa.s"),
        result(5.15),
        result(5.2),
    ]
    r = reportable("E-1", runs, ENGOBE)
    assert [codes(a.why) for a in r.attempts] == [
        ["without_valid_result", "below_band"],
        ["fill_was_sheared"],
        ["is_verification"],
        ["without_result"],
        [],
        *[["differs_from_first"]] * 4,
        [],
        ["sample_decided"],
    ]
    aspects = [a.why[0].parameters["aspect"] for a in r.attempts[5:9]]
    assert aspects == ["method", "choices", "geometry", "quantity"]
    assert r.value == pytest.approx(5.125)


def test_the_method_that_counts_can_be_chosen():
    other = {"id": "other", "version": "1", "digest": "e", "choices": {}}
    r = reportable("E-1", [result(4.0, method=other), result(5.0), result(5.2)], ENGOBE, "engobe-qc")
    assert (r.value, parameters(r.attempts[0].why, "of_other_method")) == (5.1, {"method": "other"})


def test_the_verdict_is_on_the_reportable_number():
    # One outside, one within: their mean 7.04 is 7.0 as reported, and the limit is included.
    r = reportable("E-1", [result(6.98), result(7.1, verdict="outside")], ENGOBE)
    assert (r.value, r.reported, r.verdict) == (pytest.approx(7.04), "7.0", "within")
    r = reportable("E-1", [result(7.1, verdict="outside"), result(7.2, verdict="outside")], ENGOBE)
    assert r.verdict == "outside"
    r = reportable("E-1", [result(5.0), result(5.1, verdict="not_comparable")], ENGOBE)
    assert (r.verdict, codes(r.limits)) == ("not_comparable", ["limit_not_comparable", "limit_at_other_speed"])


KINDS = {"within": 6.9, "outside": 7.1, "not_comparable": 6.95, "without": 7.15}


@pytest.mark.parametrize("kinds", list(itertools.combinations_with_replacement(KINDS, 2)), ids=" ".join)
def test_a_verdict_does_not_depend_on_the_order_of_the_results_nor_on_one_measured_without_the_product(kinds):
    """Only results under limits that apply to all of them are compared."""
    found = set()
    for order in itertools.permutations(kinds):
        runs = [result(KINDS[k], verdict=k) for k in order]
        for k, (_, data) in zip(order, runs, strict=True):
            data["verdict"] = {"limits": []} if k == "without" else data["verdict"]
        found.add(reportable("E-1", runs, ENGOBE).verdict)
    assert len(found) == 1
    compared = {"within", "outside"}
    if set(kinds) <= compared:
        assert found == {"outside" if float(f"{sum(KINDS[k] for k in kinds) / 2:.1f}") > 7.0 else "within"}
    else:
        assert found == {"not_comparable"}


def test_without_a_rule_the_first_valid_result_is_reported():
    product = load_product(CONFIG / "products/white-glaze.toml")
    r = reportable("E-1", [result(None), result(5.0), result(6.0)], product)
    assert (r.value, r.decided, counted(r)) == (5.0, "single", [False, True, False])
    assert reportable("E-1", [result(None)], None).decided == "none"


@pytest.mark.parametrize(
    ("edit", "key", "reason"),
    [
        (('"5 %" ', '"5" '), "replicates.repeatability_limit", "is above 0 with its unit"),
        (("most = 3", "most = 1"), "replicates.most", "must be at least count (2)"),
    ],
)
def test_a_wrong_rule_is_refused(tmp_path, edit, key, reason):
    with pytest.raises(Exception, match="replicates") as caught:
        load_changed(tmp_path, "products/engobe.toml", edit)
    assert caught.value.key == key
    assert reason in caught.value.reason


# ---- the interval


def test_the_interval_of_a_mean_holds_what_the_fills_have_in_common_and_their_scatter():
    """JCGM 100 4.2.3 and 4.2.4: s_r = 0.255/2.7718 = 0.092, /sqrt(2) = 0.06505; common limit 0.07/sqrt(3) = 0.040415.

    Duplicates 5.0 and 5.2 scatter by 0.1414, more than s_r: u = 0.1.  Together 0.10786, k = 1.96: U = 0.2114.
    """
    r = reportable("E-1", [result(5.0), result(5.2)], ENGOBE)
    u = r.uncertainty
    assert {c.name: c.contribution for c in u.components} == {
        "torque": pytest.approx(0.07 / math.sqrt(3.0)), "scatter between fills": pytest.approx(0.1),
    }  # fmt: skip
    assert u.expanded == pytest.approx(0.2114, rel=1e-3)
    assert (u.low, u.high) == (r.value - u.expanded, r.value + u.expanded)
    # Duplicates that agree better than they should do not make the scatter smaller than the product's.
    equal = reportable("E-1", [result(5.1), result(5.1)], ENGOBE).uncertainty
    assert contribution(equal, "scatter between fills") == pytest.approx(0.05 * 5.1 / 2.7718 / math.sqrt(2.0), rel=1e-4)


def contribution(u, name):
    return next(c.contribution for c in u.components if c.name == name)


@pytest.mark.parametrize("limit", ["5 %", "10 %", "15 %", "20 %", "30 %", "0.3 Pa.s", "1 Pa.s", "3 Pa.s"])
def test_results_that_scatter_by_half_a_unit_never_have_an_interval_of_hundredths(tmp_path, limit):
    """5.00, 5.60 and 6.10, each with a narrow interval of its own, under any limit of the product."""
    product = load_changed(tmp_path, "products/engobe.toml", ('"5 %" ', f'"{limit}" '))
    runs = [result(v, uncertainty=uncertainty(v, 0.02)) for v in (5.00, 5.60, 6.10)]
    r = reportable("E-1", runs, product)
    assert r.value is not None
    spread = max(v for v in (5.00, 5.60, 6.10)[: sum(counted(r))]) - 5.00
    if r.uncertainty.expanded is None:
        assert (r.decided, codes(r.uncertainty.reasons)) == ("median", ["median_without_interval"])
    else:
        assert r.decided == "mean"
        assert r.uncertainty.expanded > 0.5 * spread


def test_a_median_has_no_interval_and_says_why():
    r = reportable("E-1", [result(5.0), result(5.6), result(5.1)], ENGOBE)
    assert (r.decided, r.uncertainty.expanded, codes(r.uncertainty.reasons)) == (
        "median", None, ["median_without_interval"],
    )  # fmt: skip


def test_a_run_without_an_interval_leaves_the_mean_without_one():
    few = state("too_few_effective_readings", readings=20, effective=2.0, needed=5.0)
    runs = [result(5.0, uncertainty=uncertainty(5.0, 0.05, reasons=(few,))), result(5.2)]
    u = reportable("E-1", runs, ENGOBE).uncertainty
    assert (u.expanded, codes(u.reasons)) == (None, ["run_without_interval", "too_few_effective_readings"])
    assert parameters(u.reasons, "run_without_interval") == {"run": "00000001"}
    assert reportable("E-1", [result(5.0, uncertainty=None), result(5.2)], ENGOBE).uncertainty.expanded is None


def test_a_single_result_has_the_scatter_between_fills_where_the_product_states_it(tmp_path):
    product = load_changed(tmp_path, "products/engobe.toml", ("count = 2\nmost = 3", "count = 1\nmost = 3"))
    u = reportable("E-1", [result(5.0)], product).uncertainty
    assert contribution(u, "scatter between fills") == pytest.approx(0.05 * 5.0 / 2.7718, rel=1e-4)
    # Without replicates it is the run's own interval, and `left_out` names the scatter between fills.
    own = reportable("E-1", [result(5.0)], load_product(CONFIG / "products/white-glaze.toml"))
    assert own.uncertainty.expanded == uncertainty(5.0, 0.07)["expanded"]
    assert codes(own.uncertainty.left_out) == ["scatter_of_fills_unknown"]


def test_the_same_runs_give_the_same_interval():
    first = reportable("E-1", [result(5.0), result(5.2)], ENGOBE).uncertainty
    result.n = 0
    assert reportable("E-1", [result(5.0), result(5.2)], ENGOBE).uncertainty == first


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "most", "s_r", "common"),
    [
        (2, 2, 0.05, 0.1),
        *(
            pytest.param(*case, marks=pytest.mark.slow)
            for case in ((2, 3, 0.1, 0.2), (2, 3, 0.1, 0.01), (3, 3, 0.3, 0.1))
        ),
    ],
)
def test_the_interval_of_the_mean_holds_the_true_value(tmp_path, n, most, s_r, common):
    """Simulated samples: the instrument's error is drawn once for each and uniform, the fills are normal with s_r."""
    rng = np.random.default_rng([n, most, int(1000 * s_r), int(1000 * common)])
    limit = 2.7718 * s_r
    product = load_changed(
        tmp_path, "products/engobe.toml", ("count = 2\nmost = 3", f"count = {n}\nmost = {most}"), ('"5 %" ', f'"{limit} Pa.s" '),
    )  # fmt: skip
    given = [uncertainty(5.0, common)] * most
    held = published = 0
    for _ in range(150):
        result.n = 0
        values = 5.0 + rng.uniform(-common, common) + s_r * rng.standard_normal(most)
        r = reportable("E-1", [result(float(v), uncertainty=u) for v, u in zip(values, given, strict=True)], product)
        if r.uncertainty is not None and r.uncertainty.expanded is not None:
            published += 1
            held += r.uncertainty.low <= 5.0 <= r.uncertainty.high
    assert published > 110
    assert held / published > 0.95 - 3.0 * math.sqrt(0.05 * 0.95 / published)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: repeatability_deviation(0.0),
        lambda: repeatability_deviation(math.nan),
        lambda: mean_uncertainty([], 1.0),
        lambda: mean_uncertainty([1.0, math.nan], 1.0),
        lambda: mean_uncertainty([1.0], 0.0),
        lambda: mean_uncertainty([1.0], math.inf),
    ],
)
def test_scatter_that_makes_no_sense_is_refused(wrong):
    with pytest.raises(SettingError):
        wrong()


@pytest.mark.parametrize("place", range(4))
def test_a_run_without_authorisation_never_counts_wherever_it_is_among_the_others(place):
    values = [5.0, 5.1, 5.05]
    runs = [
        result(v, origin={"operator": "m.keeper", "attribution": a})
        for v, a in zip(values, ("authorised", "unattributed", "authorised"), strict=True)
    ]
    expected = reportable("E-1", runs, ENGOBE)
    trainee = result(5.0, origin={"operator": "a.new", "attribution": "not_authorised"})
    found = reportable("E-1", [*runs[:place], trainee, *runs[place:]], ENGOBE)
    assert (found.value, found.decided) == (expected.value, expected.decided)
    attempt = found.attempts[place]
    assert not attempt.counted
    assert codes(attempt.why) == ["operator_not_authorised"]
    assert parameters(attempt.why, "operator_not_authorised") == {"operator": "a.new", "method": "engobe-qc"}
