"""The reportable result of a sample: duplicates, a third, the median; every attempt listed with what became of it."""

import pytest

from daq.methods.concluding.reportable import Attempt, reportable
from daq.methods.files.load import load_product
from daq.methods.parts.statement import state
from tests.support.runs.examples import CONFIG, example, load_changed
from tests.support.statements import codes, parameters

ENGOBE = example("products/engobe.toml")  # two, a third where they differ by more than 5 %; limits 4.0 to 7.0 Pa.s


WHY = state("limit_at_other_speed", wanted=12.0, speed=30.0).model_dump(mode="json")
LOW = state("below_band", torque=8.0).model_dump(mode="json")


def result(value, *, fill=None, verdict="within", **more):
    """One run with its stored result; made in the order of the calls."""
    result.n += 1
    run = f"{result.n:08d}-run"
    limit = {"quantity": "viscosity", "low": 4.0, "high": 7.0, "unit": "Pa.s", "verdict": verdict, "reasons": [WHY]}
    data = {
        "value": value, "unit": "Pa.s", "quantity": "viscosity", "validity": "valid" if value is not None else "not_valid",
        "reasons": [], "outcome": "complete", "sample": {"id": "E-1", "sheared": False},
        "method": {"id": "engobe-qc", "version": "1", "digest": "d", "choices": {}},
        "geometry": {"name": "cylinder-9", "vessel": "low"}, "uncertainty": {"expanded": 0.1 + result.n / 100},
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
    assert r.expanded == pytest.approx(0.12)
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
