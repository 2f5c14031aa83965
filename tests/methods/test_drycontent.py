"""Dry content of a slip beside its density: by hand, with its uncertainty, and refused where no slip has that density."""

import json
import math
from dataclasses import replace

import pytest

from daq.adapters.sparkplug.metrics import DataType
from daq.adapters.store.rows import ResultRecord
from daq.app.delivery.sparkplug_metrics import no_result, result_metrics
from daq.collect.columns import RESULT
from daq.collect.decode import decode
from daq.core.faults import CHECKS, SOUND_TEMPERATURES
from daq.methods.concluding.conclude import conclude
from daq.methods.messages.flat import flattened
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from daq.methods.planning.compile import compile_plan
from daq.rheology.slips import water_density
from tests.support.instruments.example_pairs import driver_of
from tests.support.runs.examples import example, facts, flat, kept, load_changed
from tests.support.runs.result_events import result
from tests.support.statements import codes, parameters


def plan_of(product):
    """Return the plan of the example method on the example balance."""
    balance = example("instruments/balance-1.toml")
    loaded = example(f"products/{product}.toml") if isinstance(product, str) else product
    return compile_plan(example("methods/slip-density.toml"), balance, driver_of(balance), product=loaded)


def slip(density, product="thin-slip", **signals):
    """A conclusion on a slip weighed in the cup of 100.02 mL of balance-1, or of another product."""
    plan = plan_of(product)
    values = {"mass": flat(density * 100.02), "density": flat(density), **signals}
    return conclude(plan, facts([kept(values)]))


def test_a_slip_mixed_by_hand_gives_its_dry_content():
    """70 % of a solid of 2.62 g/mL in water at 20 degC: 1/(0.7/2620 + 0.3/998.204) kg/m3."""
    density = 1.0 / (0.7 / 2620.0 + 0.3 / water_density(20.0))
    c = slip(density / 1000.0)
    found = c.dry_content
    assert found.value == pytest.approx(0.7, rel=1e-9)
    assert found.by_volume == pytest.approx(0.7 / 2620.0 * density, rel=1e-9)
    assert (found.celsius, found.solid_density, found.reason) == (20.0, 2620.0, None)
    assert codes(found.left_out) == ["dry_content_at_room_temperature"]


def test_its_uncertainty_is_that_of_density_solid_and_water():
    """Numerical derivatives of 1/rho = w/rho_s + (1 - w)/rho_w; limits divided by the square root of 3."""
    c = slip(1.78)
    u = c.uncertainty.expanded / c.uncertainty.k * 1000.0

    def w(rho=1780.0, solid=2620.0, celsius=20.0):
        of_water = 1.0 / water_density(celsius)
        return (of_water - 1.0 / rho) / (of_water - 1.0 / solid)

    parts = (
        (w(rho=1781.0) - w(rho=1779.0)) / 2.0 * u,
        (w(solid=2621.0) - w(solid=2619.0)) / 2.0 * 20.0 / math.sqrt(3.0),
        (w(celsius=20.1) - w(celsius=19.9)) / 0.2 * 10.0 / math.sqrt(3.0),
    )
    assert c.dry_content.expanded / c.dry_content.k == pytest.approx(math.hypot(*parts), rel=1e-3)


@pytest.mark.parametrize("density", [0.99, 0.9, 2.63, 3.5])
def test_a_density_that_no_slip_has_gives_no_dry_content(density):
    found = slip(density).dry_content
    assert (found.value, found.expanded) == (None, None)
    assert parameters([found.reason], "dry_content_not_possible") == {
        "density": pytest.approx(1000.0 * density), "temperature": 20.0, "solid_density": 2620.0,
    }  # fmt: skip


@pytest.mark.parametrize("doubt", ["probe", "silent", "instrument_error", "unsteady", "no_temperature"])
@pytest.mark.parametrize("checks", [SOUND_TEMPERATURES - 1, CHECKS])
@pytest.mark.parametrize("celsius", [19.0, 60.0])
def test_a_doubtful_temperature_gives_no_dry_content(doubt, checks, celsius):
    """Neither by this temperature nor by that of a room: a slip of 60 degC would be wrong by both."""
    plan = plan_of("thin-slip")
    values = {"mass": flat(178.0), "density": flat(1.78), "temperature": flat(celsius)}
    one = replace(kept(values), temperature_faults=(doubt,))
    found = conclude(plan, replace(facts([one]), checks=checks)).dry_content
    is_sound = doubt in ("unsteady", "no_temperature") or checks < SOUND_TEMPERATURES
    assert (found.value is not None, found.celsius) == (is_sound, celsius)
    if not is_sound:
        assert parameters([found.reason], "correction_needs_sound_temperature") == {"faults": (doubt,)}
        assert (found.by_volume, found.expanded) == (None, None)


def test_without_a_density_or_a_solid_there_is_none(tmp_path):
    plan = plan_of("thin-slip")
    nothing = conclude(plan, facts([]))
    assert nothing.value is None
    assert codes([nothing.dry_content.reason]) == ["dry_content_without_density"]
    assert slip(1.78, product="casting-slip").dry_content is None
    vague = load_changed(tmp_path, "products/thin-slip.toml", ("solid_density_error", "# solid_density_error"))
    assert "solid_density_error_unknown" in codes(slip(1.78, product=vague).dry_content.left_out)


def test_the_message_holds_the_dry_content():
    plan = plan_of("thin-slip")
    data = ResultData.build(plan, slip(1.78), RunDetails(run="r", sample=Sample(id="s")))
    flat_form = flattened(data.model_dump(mode="json"))
    assert flat_form["dry_content_value"] == data.dry_content.value == pytest.approx(0.7096, abs=1e-4)
    assert flat_form["dry_content_solid_density"] == 2620.0


def slip_result(density):
    """The dry content of a slip, and a result that holds it, as the store keeps it and as the collector gets it."""
    own = ResultData.build(plan_of("thin-slip"), slip(density), RunDetails(run="r", sample=Sample(id="s")))
    found = own.model_dump(mode="json")["dry_content"]
    topic, payload = result(change={"dry_content": found})
    record = ResultRecord("r", "run", 1, "bench-1", 1, json.dumps(json.loads(payload)["data"]), 5, None, 1, "", "")
    return found, record, decode(topic, payload)


@pytest.mark.parametrize("density", [1.05, 1.4, 1.78, 2.5, 7.0, 0.5])  # g/mL; no slip has the last two
def test_a_column_and_a_metric_hold_the_dry_content(density):
    found, record, event = slip_result(density)
    assert (found["value"] is None) == (density in (7.0, 0.5))
    assert event.values["dry_content_mass_fraction"] == found["value"]
    assert event.values["dry_content_expanded_mass_fraction"] == found["expanded"]
    metric = {m.name: m for m in result_metrics(record, "db")}["result/dry_content_mass_fraction"]
    assert (metric.type, metric.value) == (DataType.DOUBLE, found["value"])
    properties = {p.key: p.value for p in metric.properties}
    known = {key: found[key] for key in ("expanded", "k") if found[key] is not None}
    assert properties == {"unit": "1", **known}
    assert density in (7.0, 0.5) or known.keys() == {"expanded", "k"}


def test_columns_and_metrics_are_there_without_a_dry_content():
    topic, payload = result()
    assert decode(topic, payload).values["dry_content_mass_fraction"] is None
    columns = {c.name: c for c in RESULT}
    assert columns["dry_content_mass_fraction"].declared == "double precision"
    assert columns["dry_content_mass_fraction"].comment.endswith("unit 1")
    assert [m.value for m in no_result(0) if m.name == "result/dry_content_mass_fraction"] == [None]
