"""The product's decision rule in results, reports, exit codes and on screens."""

import random

import pytest

from daq.app.cli.signing.reportable import text_of
from daq.app.screens.exit_codes import code_of_verdict
from daq.app.screens.result_screen import VERDICTS, result_lines, summary
from daq.app.screens.text import chance
from daq.core.errors import SettingError
from daq.core.statistics import Summary
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.reportable import Attempt, reportable
from daq.methods.messages.flat import flattened
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from daq.quality.guardbands import probability_outside
from daq.quality.limits import Verdict
from tests.support.runs.examples import example, facts, kept, load_changed, plan_of, rotational_identity, summaries
from tests.support.statements import codes, parameters

SIMPLE = 'rounding = "unrounded"'
GUARDED = f'{SIMPLE}\nacceptance = "guard_banded_acceptance"\n'


def judged(tmp_path, viscosity, *edits, **more):
    """Return the conclusion of clear glaze with limits of 700 and 900 mPa.s, U about 2.4 % of the value."""
    product = load_changed(tmp_path, "products/clear-glaze.toml", *edits)
    return conclude(plan_of("clear-glaze-qc", "bench-1", product=product), facts([kept(summaries(viscosity, **more))]))


def words(c, product="clear-glaze"):
    data = ResultData.build(plan_of("clear-glaze-qc", "bench-1", product=product), c, RunDetails(run="r", sample=Sample(id="s")))  # fmt: skip
    return " ".join("".join(text for text, _ in line) for line in result_lines(data.model_dump(mode="json"), 200))


def test_simple_acceptance_states_its_risk(tmp_path):
    c = judged(tmp_path, 895.0)
    u = c.uncertainty.expanded / c.uncertainty.k
    j = c.verdict
    assert (j.verdict, j.acceptance) == ("within", "simple_acceptance")
    # One limit matters: 1 - Phi((900 - 895)/u), with u about 10.7 mPa.s about a third.
    assert j.risk_of_false_acceptance == pytest.approx(probability_outside(895.0, u, 700.0, 900.0))
    assert 0.25 < j.risk_of_false_acceptance < 0.4
    assert j.limits[0].probability_outside == j.risk_of_false_acceptance
    assert (j.limits[0].accepted_low, j.limits[0].accepted_high) == (None, None)
    assert f"risk of false acceptance {chance(j.risk_of_false_acceptance)}" in words(c)


def test_only_a_value_within_has_a_risk_of_false_acceptance(tmp_path):
    c = judged(tmp_path, 905.0)
    assert (c.verdict.verdict, c.verdict.risk_of_false_acceptance) == ("outside", None)
    assert 0.6 < c.verdict.limits[0].probability_outside < 0.75


@pytest.mark.parametrize(
    ("viscosity", "verdict"),
    [(600.0, "outside"), (695.0, "undecided"), (705.0, "undecided"), (800.0, "within"), (890.0, "undecided"),
     (910.0, "undecided"), (1000.0, "outside")],
)  # fmt: skip
def test_guard_bands_of_the_expanded_uncertainty(tmp_path, viscosity, verdict):
    c = judged(tmp_path, viscosity, (SIMPLE, GUARDED))
    j, expanded = c.verdict, c.uncertainty.expanded
    assert (j.verdict, j.acceptance) == (verdict, "guard_banded_acceptance")
    assert (j.limits[0].accepted_low, j.limits[0].accepted_high) == pytest.approx((700.0 + expanded, 900.0 - expanded))
    if verdict == "within":
        assert j.risk_of_false_acceptance < 0.025
    if verdict == "undecided":
        nearer = 700.0 if viscosity < 800.0 else 900.0
        assert parameters(j.reasons, "in_guard_band") == {
            "value": viscosity, "limit": nearer, "guard_band": pytest.approx(expanded), "unit": "mPa.s",
            "expanded": expanded,
        }  # fmt: skip
        assert j.risk_of_false_acceptance is None


def test_a_stated_guard_band_and_a_factor(tmp_path):
    stated = ('low = 700\nhigh = 900\nunit = "mPa.s"', 'low = 0.7\nhigh = 0.9\nunit = "Pa.s"\nguard_band = 0.03')
    j = judged(tmp_path, 865.0, (SIMPLE, GUARDED), stated).verdict
    assert (j.verdict, j.limits[0].accepted_high) == ("within", pytest.approx(870.0))
    assert judged(tmp_path, 871.0, (SIMPLE, GUARDED), stated).verdict.verdict == "undecided"
    half = judged(tmp_path, 885.0, (SIMPLE, GUARDED + "guard_factor = 0.5\n"))
    assert half.verdict.verdict == "within"
    assert half.verdict.limits[0].accepted_high == pytest.approx(900.0 - 0.5 * half.uncertainty.expanded)


def test_guard_bands_wider_than_the_limits_leave_nothing(tmp_path):
    j = judged(tmp_path, 800.0, (SIMPLE, GUARDED), ("high = 900", "high = 900\nguard_band = 150")).verdict
    assert (j.verdict, codes(j.reasons)) == ("undecided", ["in_guard_band", "guard_bands_leave_nothing"])


def without_interval():
    """Return a span of one reading on an instrument that states nothing."""
    return summaries() | {"viscosity": Summary(1, 800.0, None, minimum=800.0, maximum=800.0, last=800.0)}


@pytest.mark.parametrize("guard_band", ["", "guard_band = 10\n"])
def test_without_an_interval_guard_bands_decide_nothing(tmp_path, guard_band):
    product = load_changed(
        tmp_path,
        "products/clear-glaze.toml",
        (SIMPLE, GUARDED),
        ('unit = "mPa.s"\nmethods', f'unit = "mPa.s"\n{guard_band}methods'),
    )
    bench = example("instruments/bench-1.toml").model_copy(update={"specification": None})
    known = {"identity": rotational_identity()}
    c = conclude(plan_of("clear-glaze-qc", bench, product=product, **known), facts([kept(without_interval())]))
    assert c.uncertainty is None or not c.uncertainty.expanded
    assert (c.value, c.verdict.verdict, codes(c.verdict.reasons)) == (800.0, "undecided", ["guard_without_interval"])
    assert c.verdict.limits[0].probability_outside is None
    simple = conclude(
        plan_of("clear-glaze-qc", bench, product="clear-glaze", **known), facts([kept(without_interval())])
    )
    assert (simple.verdict.verdict, simple.verdict.risk_of_false_acceptance) == ("within", None)
    assert "risk of false acceptance not known" in words(simple)


def test_generated_values_are_within_only_where_the_interval_is(tmp_path):
    """Within: the whole of value ± U is inside; outside: the whole of it is; undecided: the rest.  ISO 14253-1's idea."""
    rng = random.Random(4)
    product = load_changed(tmp_path, "products/clear-glaze.toml", (SIMPLE, GUARDED))
    plan = plan_of("clear-glaze-qc", "bench-1", product=product)
    seen = set()
    for _ in range(300):
        value = rng.choice([700.0, 900.0]) + rng.gauss(0.0, 30.0)
        c = conclude(plan, facts([kept(summaries(value, torque=rng.uniform(20.0, 95.0)))], outcome=""))
        low, high = value - c.uncertainty.expanded, value + c.uncertainty.expanded
        wanted = (
            "within" if low >= 700.0 and high <= 900.0 else "outside" if high < 700.0 or low > 900.0 else "undecided"
        )
        assert c.verdict.verdict == wanted
        seen.add(wanted)
    assert seen == {"within", "outside", "undecided"}


def test_outside_under_one_limit_comes_before_undecided_under_another(tmp_path):
    second = '[[limits]]\nlow = 860\nunit = "mPa.s"\nmethods = ["clear-glaze-qc 1"]\n\n[[limits]]\nquantity'
    j = judged(tmp_path, 712.0, (SIMPLE, GUARDED), ("[[limits]]\nquantity", second)).verdict
    assert ([x.verdict for x in j.limits], j.verdict) == (["outside", "undecided"], "outside")
    j = judged(tmp_path, 870.0, (SIMPLE, GUARDED), ("[[limits]]\nquantity", second)).verdict
    assert ([x.verdict for x in j.limits], j.verdict) == (["undecided", "within"], "undecided")


def test_what_is_published_and_shown(tmp_path):
    c = judged(tmp_path, 890.0, (SIMPLE, GUARDED))
    product = load_changed(tmp_path, "products/clear-glaze.toml", (SIMPLE, GUARDED))
    plan = plan_of("clear-glaze-qc", "bench-1", product=product)
    data = ResultData.build(plan, c, RunDetails(run="r", sample=Sample(id="s"))).model_dump(mode="json")
    flat = flattened(data)
    assert (flat["verdict_verdict"], flat["verdict_acceptance"]) == ("undecided", "guard_banded_acceptance")
    assert flat["limit_high"] == 900.0
    text = words(c, product)
    assert "UNDECIDED" in text
    assert "guard banded acceptance" in text
    assert "the true value is outside with a probability of" in text
    assert summary(data)[2][0][1] == "warn"


def test_every_verdict_has_words_and_an_exit_code():
    assert set(VERDICTS) == {v.value for v in Verdict}
    assert {v.value: code_of_verdict(v) for v in Verdict} == {
        "within": 0, "none": 0, "outside": 10, "not_comparable": 10, "undecided": 14,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("edit", "key", "reason"),
    [
        ((SIMPLE, f"{SIMPLE}\nguard_factor = 1.0"), "guard_factor", "belongs to acceptance"),
        (("high = 900", "high = 900\nguard_band = 5"), "limits[0].guard_band", "belongs to acceptance"),
        ((SIMPLE, GUARDED.replace("unrounded", "rounded")), "rounding", "unrounded"),
        ((SIMPLE, GUARDED + "guard_factor = 0.0\n"), "guard_factor", "0"),
        ((SIMPLE, SIMPLE + '\nacceptance = "guard_band"'), "acceptance", "guard_band"),
    ],
)
def test_wrong_rules_of_acceptance_are_refused(tmp_path, edit, key, reason):
    with pytest.raises(SettingError) as caught:
        load_changed(tmp_path, "products/clear-glaze.toml", edit)
    assert caught.value.key == key
    assert reason in caught.value.reason


@pytest.mark.parametrize(
    ("probability", "text"),
    [(0.0, "below 0.01 %"), (0.00234, "0.23 %"), (0.0234, "2.3 %"), (0.5, "50 %"), (0.9956, "99.56 %"), (1.0, "above 99.99 %")],
)  # fmt: skip
def test_a_probability_in_words(probability, text):
    assert chance(probability) == text


# ---- the reportable result of a sample


def reported_sample(tmp_path, values, *edits):
    """Return the reportable result of clear glaze from one valid run for each value, U about 2.4 %."""
    product = load_changed(tmp_path, "products/clear-glaze.toml", (SIMPLE, GUARDED), *edits)
    plan = plan_of("clear-glaze-qc", "bench-1", product=product)
    runs = []
    for i, value in enumerate(values):
        c = conclude(plan, facts([kept(summaries(value))]))
        data = ResultData.build(plan, c, RunDetails(run=f"r{i}", sample=Sample(id="s"))).model_dump(mode="json")
        runs.append((Attempt(f"r{i}", "2026-01-05T08:00:00.000Z", "clear-glaze-qc 1", "bench-1", f"f{i}", value, "mPa.s", "valid", False), data))  # fmt: skip
    return reportable("s", runs, product)


@pytest.mark.parametrize(
    ("value", "verdict"), [(800.0, "within"), (890.0, "undecided"), (910.0, "undecided"), (1000.0, "outside")]
)
def test_a_reportable_result_keeps_the_guard_bands(tmp_path, value, verdict):
    r = reported_sample(tmp_path, [value])
    assert (r.verdict, r.acceptance) == (verdict, "guard_banded_acceptance")
    assert (r.risk_of_false_acceptance is not None) == (verdict == "within")
    assert ("in_guard_band" in codes(r.limits)) == (verdict == "undecided")
    assert f"verdict: {verdict} (unrounded, guard banded acceptance" in text_of(r)


def test_a_reportable_result_keeps_a_stated_guard_band(tmp_path):
    wide = ("high = 900", "high = 900\nguard_band = 90")
    assert reported_sample(tmp_path, [820.0], wide).verdict == "undecided"
    assert reported_sample(tmp_path, [805.0], wide).verdict == "within"
