"""One interval is published everywhere: message, flat form, Sparkplug, the collector's row, correction and sentence."""

import dataclasses
import json
import math

import pytest

from daq.adapters.store.rows import ResultRecord
from daq.app.delivery.sparkplug_metrics import result_metrics
from daq.core.context import StatedLimits
from daq.core.faults import Quality
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.intervals import JCGM_100, JCGM_101
from daq.methods.messages.flat import flattened
from daq.methods.messages.leaves import value_at
from daq.methods.messages.named import RESULT_NAMES
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from tests.support.runs.examples import facts, flat, kept, load_changed, plan_of, summaries


def changed(plan, **context):
    return dataclasses.replace(plan, context=dataclasses.replace(plan.context, **context))


FORMS = {
    "limits prevail": (flat(950.0, sd=4.0, lag1=0.5), JCGM_101),
    "readings prevail": (flat(950.0, sd=400.0), JCGM_100),
    "none, too few effective readings": (flat(950.0, sd=4.0, lag1=0.99), ""),
    "none, one reading": (flat(950.0, n=1), ""),
}


@pytest.fixture(params=FORMS, ids=lambda name: name.replace(" ", "-"))
def form(request):
    """A concluded run, and its result as JSON."""
    viscosity, method = FORMS[request.param]
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    c = conclude(plan, facts([kept(summaries() | {"viscosity": viscosity})]))
    data = ResultData.build(plan, c, RunDetails(run="r", sample=Sample(id="s"))).model_dump(mode="json")
    assert c.uncertainty.method == method
    return c, data


def test_the_same_number_is_in_every_form(form):
    c, data = form
    expanded = c.uncertainty.expanded
    assert data["uncertainty"]["expanded"] == expanded
    flat_form = flattened(data)
    assert flat_form["uncertainty_expanded"] == expanded
    record = ResultRecord("r-1", "run-1", 3, "bench-1", 12, json.dumps(data), 0, None, 77, "", "")
    metrics = {m.name: m for m in result_metrics(record, "db-1")}
    assert metrics["result/expanded"].value == expanded
    rows = {n.name: value_at(data, n.leaf.path) for n in RESULT_NAMES}
    assert (rows["expanded"], rows["k"]) == (expanded, c.uncertainty.k)
    low, high = data["uncertainty"]["low"], data["uncertainty"]["high"]
    assert (low, high) == ((None, None) if expanded is None else (c.value - expanded, c.value + expanded))
    assert (flat_form["uncertainty_low"], flat_form["uncertainty_high"]) == (low, high)
    # At the reference temperature a corrected value is the measured one: so is its interval.
    assert data["corrected"]["factor"] == 1.0
    assert data["corrected"]["expanded"] == (None if expanded is None else pytest.approx(expanded, rel=1e-12))
    (reason,) = data["verdict"]["reasons"]
    assert reason["parameters"]["expanded"] == expanded


def test_there_is_an_interval_or_a_reason_and_never_both(form):
    c, data = form
    u = data["uncertainty"]
    assert (u["expanded"] is None) is bool(u["reasons"])
    assert (flattened(data)["uncertainty_reason_codes"] != "") is bool(u["reasons"])
    assert c.value == 950.0, "the value itself is published in any case"


def test_the_other_interval_is_in_the_budget_only_and_by_its_name(form):
    _, data = form
    u = data["uncertainty"]
    other = u["compared"]
    assert (other is not None) is (u["method"] == JCGM_101)
    assert "compared" not in "".join(k for k in flattened(data) if k.startswith("uncertainty"))
    if other is None:
        return
    u_c = math.sqrt(math.fsum(x["contribution"] ** 2 for x in u["components"]))
    assert (other["method"], other["expanded"]) == (JCGM_100, pytest.approx(other["k"] * u_c))
    assert (u["expanded"], other["expanded"]) == (pytest.approx(u["k"] * u_c), pytest.approx(other["expanded"]))
    # The number of the other interval is nowhere else in the message.
    text = json.dumps(data | {"uncertainty": u | {"compared": None}})
    assert repr(other["expanded"]) not in text


@pytest.mark.parametrize("channel", ["torque", "none"])
@pytest.mark.parametrize("sd", [0.0, 1e-9, 0.5])
def test_nothing_stated_gives_no_interval_of_zero(tmp_path, channel, sd):
    """Without a specification a scatter of 0 once gave ± 0."""
    given = StatedLimits(geometry=0.5, speed=0.1) if channel == "torque" else StatedLimits()
    plan = changed(plan_of("clear-glaze-qc", "bench-1"), specification=given)
    u = conclude(plan, facts([kept(summaries() | {"viscosity": flat(800.0, sd=sd)})])).uncertainty
    assert (u.expanded, u.low, u.high, u.reasons[0].code) == (None, None, None, "not_specified")
    thermo = changed(plan_of("thermometer-log", "thermo-1"), specification=StatedLimits())
    values = {name: flat(25.0, sd=sd) for name in thermo.lead.channels}
    u = conclude(thermo, facts([kept(values, step=thermo.context.result_step)])).uncertainty
    assert (u.expanded, u.reasons[0].code) == (None, "error_not_specified")


@pytest.mark.parametrize("specified", [True, False])
@pytest.mark.parametrize("required", [True, False])
@pytest.mark.parametrize("name", FORMS)
def test_where_the_method_requires_an_interval_nothing_without_one_is_good(tmp_path, name, required, specified):
    """OPC UA Part 8 calls a value from fewer sources than required `Uncertain_SubNormal`; that the part of the
    instrument counts as such a source is our reading of it."""
    key = f"\ninterval_required = {str(required).lower()}"
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", ('claim = "at_time"', 'claim = "at_time"' + key))
    plan = plan_of(method, "bench-1", product="clear-glaze")
    if not specified:
        plan = changed(plan, specification=StatedLimits())
    viscosity, interval = FORMS[name]
    c = conclude(plan, facts([kept(summaries() | {"viscosity": viscosity})]))
    missing = not (specified and interval)
    assert (c.uncertainty.expanded is None) is missing
    if required and missing:
        assert (c.quality, c.faults, c.validity) == (Quality.UNCERTAIN_SUBNORMAL, ("no_interval",), "doubtful")
        assert c.reasons[0].code == "no_interval"
    else:
        assert (c.quality, c.faults) == (Quality.GOOD, ())
    assert c.value == 950.0


@pytest.mark.parametrize(("celsius", "factor"), [(24.0, 0.958), (26.0, 1.04)])
def test_a_corrected_value_has_the_uncertainty_of_the_curve_too(tmp_path, celsius, factor):
    product = load_changed(tmp_path, "products/clear-glaze.toml")
    plan = plan_of("clear-glaze-qc", "bench-1", product=product)
    c = conclude(plan, facts([kept(summaries(temperature=celsius))]))
    assert c.corrected.factor == pytest.approx(factor, abs=0.01)
    # The curve's own part is 2 % of the change at most: it hardly widens the interval, and never narrows it.
    assert 1.0 - 1e-3 <= c.corrected.expanded / (c.uncertainty.expanded * c.corrected.factor) < 1.01
