"""The message: complete, valid under its own JSON Schema, and without numbers that are not numbers."""

import json
import math

import jsonschema
import pytest
from pydantic import ValidationError

from daq.core.statistics import Summary
from daq.methods.concluding.conclude import conclude
from daq.methods.messages.envelope import envelope
from daq.methods.messages.flat import FlatResultData, flat_schema, flattened
from daq.methods.messages.result import ResultData, RunDetails, schema
from daq.methods.parts.origin import Sample
from tests.support.runs.examples import example, facts, flat, kept, plan_of, rotational_identity, saturated, summaries
from tests.support.statements import codes

RECORD = RunDetails(
    run="7f1c",
    sample=Sample(id="CG-2291", lot="L-118", fill="1", replicate=2, sampled_at="2026-03-02T06:10:00+01:00"),
    operator="shift A",
    began="2026-03-02T05:40:00Z",
    ended="2026-03-02T05:43:10Z",
    journal_digest="ab" * 32,
    audit_head="cd" * 32,
    software="0.1.0",
    simulated=True,
)

CHECKER = jsonschema.Draft202012Validator(schema())


def result(values=None, *, outcome="complete", product="clear-glaze", **more):
    plan = plan_of("clear-glaze-qc", "bench-1", product=product, identity=rotational_identity(), **more)
    f = facts([kept(summaries())] if values is None else values, outcome=outcome)
    return ResultData.build(plan, conclude(plan, f), RECORD)


def sent(data):
    """The data as a consumer reads them; refuses NaN and infinities."""
    return json.loads(json.dumps(data.model_dump(mode="json"), allow_nan=False))


def test_the_schema_is_a_schema_and_takes_a_result():
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.Draft202012Validator.check_schema(flat_schema())
    CHECKER.validate(sent(result()))


def test_everything_a_historian_needs_is_there():
    d = sent(result())
    assert (d["value"], d["unit"], d["quality"], d["claim"], d["simulated"]) == (
        800.0,
        "mPa.s",
        "Good",
        "at_time",
        True,
    )
    assert d["sample"] == {
        "id": "CG-2291", "product": "clear-glaze", "lot": "L-118", "fill": "1", "replicate": 2,
        "sampled_at": "2026-03-02T06:10:00+01:00", "sheared": False,
    }  # fmt: skip
    assert (d["span"]["n"], d["span"]["seconds"], d["span"]["stop_reason"]["code"]) == (300, 30.0, "rule_above")
    u = d["uncertainty"]
    assert (u["expanded"], u["k"]) == (pytest.approx(16.63, rel=0.01), pytest.approx(1.733, rel=0.01))
    assert (u["low"], u["high"]) == (d["value"] - u["expanded"], d["value"] + u["expanded"])
    # By JCGM 100, for the budget only.
    assert u["compared"]["expanded"] == pytest.approx(18.8052, rel=1e-5)
    assert (round(u["compared"]["k"], 2), u["coverage"], u["reasons"]) == (1.96, 0.95, [])
    c = d["conditions"]
    assert (c["set_speed"], c["speed"], c["torque_percent"], c["torque"], c["temperature"]) == (20, 20, 50, 500, 25)
    assert (d["geometry"]["name"], d["geometry"]["vessel"], d["geometry"]["fill_volume_mL"]) == (
        "coaxial-12",
        "cup 15",
        25,
    )
    assert d["geometry"]["dimensions"] == {
        "inner_radius": 12.0,
        "outer_radius": 15.0,
        "length": 40.0,
        "end_factor": 1.1,
    }
    assert (d["verdict"]["verdict"], d["verdict"]["rounding"]) == ("within", "unrounded")
    assert (d["verdict"]["limits"][0]["low"], d["verdict"]["limits"][0]["applies_at"]["geometry"]) == (
        700,
        "coaxial-12",
    )
    assert (d["method"]["id"], d["method"]["version"], len(d["method"]["digest"])) == ("clear-glaze-qc", "1", 64)
    assert (d["origin"]["serial"], d["origin"]["driver"], len(d["origin"]["driver_digest"])) == (
        "R-1042",
        "rotational",
        64,
    )
    assert (d["origin"]["journal_digest"], d["origin"]["audit_head"]) == ("ab" * 32, "cd" * 32)


def test_a_value_that_cannot_be_believed_is_null():
    data = result([kept(saturated(), faults=("saturated",))])
    d = sent(data)
    CHECKER.validate(d)
    assert (d["value"], d["quality"], d["validity"], d["uncertainty"]) == (None, "Bad", "not_valid", None)
    assert (d["advice"][0]["code"], d["advice"][0]["parameters"]["beyond"]) == ("other_speed", 110.0)
    assert (d["advice"][0]["speed"], d["advice"][0]["comparable"]) == (10.0, False)
    assert d["conditions"]["torque_percent"] is None


def test_an_interrupted_run_gives_a_message_too():
    d = sent(result([], outcome="interrupted"))
    CHECKER.validate(d)
    assert (d["value"], d["outcome"], d["span"], d["faults"]) == (None, "interrupted", None, ["interrupted"])


def test_a_run_that_goes_on_has_no_message():
    with pytest.raises(ValidationError, match="outcome"):
        result(outcome="")


def test_no_number_that_is_not_finite_gets_out():
    odd = summaries() | {"stress": flat(math.inf), "shear_rate": Summary(0), "torque_abs": flat(-0.0)}
    d = sent(result([kept(odd)]))
    CHECKER.validate(d)
    assert (d["conditions"]["stress"], d["conditions"]["shear_rate"]) == (None, None)
    assert math.copysign(1.0, d["conditions"]["torque"]) == 1.0


@pytest.mark.parametrize(
    ("key", "value"),
    [("value", "800"), ("quality", "Fine"), ("verdict", None), ("unit", None), ("outcome", "done"), ("surprise", 1)],
)
def test_the_schema_refuses_what_is_not_a_result(key, value):
    d = sent(result())
    d[key] = value
    assert not CHECKER.is_valid(d)


def test_the_flat_variant_has_no_nesting_and_the_same_numbers():
    data = result()
    flat_data = json.loads(json.dumps(flattened(sent(data)), allow_nan=False))
    assert all(not isinstance(v, (dict, list)) for v in flat_data.values())
    jsonschema.Draft202012Validator(flat_schema()).validate(flat_data)
    FlatResultData.model_validate(flat_data)
    assert (flat_data["value"], flat_data["sample_lot"], flat_data["conditions_torque_percent"]) == (
        800.0,
        "L-118",
        50.0,
    )
    assert (flat_data["verdict_verdict"], flat_data["limit_low"], flat_data["limit_high"]) == ("within", 700.0, 900.0)
    assert (flat_data["uncertainty_k"], flat_data["step_count"]) == (data.uncertainty.k, 1)


def test_the_flat_variant_always_has_the_same_keys():
    missing = flattened(sent(result([], outcome="stopped", product=None)))
    jsonschema.Draft202012Validator(flat_schema()).validate(json.loads(json.dumps(missing)))
    assert set(flattened(sent(result()))) == set(missing)


def test_apparent_viscosity_has_a_null_shear_rate():
    plan = plan_of("reference-check", example("instruments/bench-2.toml").with_fitted("paddle-2"))
    found = {"torque": flat(30.0), "speed": flat(60.0), "temperature": flat(25.0), "apparent_viscosity": flat(5000.0)}
    d = sent(ResultData.build(plan, conclude(plan, facts([kept(found)])), RECORD))
    CHECKER.validate(d)
    assert (d["quantity"], d["conditions"]["shear_rate"], d["geometry"]["kind"]) == (
        "apparent_viscosity", None, "calibrated_constants",
    )  # fmt: skip
    assert "no_shear_rate" in codes(d["warnings"])


def test_the_envelope_is_a_cloud_event():
    """CloudEvents 1.0.2, section 'REQUIRED Attributes': id, source, specversion and type, none of them empty."""
    event = envelope(
        {"a": 1},
        id="u-1",
        source="/daq/db-1/1",
        sequence=42,
        time="2026-03-02T05:43:10Z",
        type="result",
        subject="bench-1",
    )
    assert event["specversion"] == "1.0"
    assert {"id", "source", "type", "subject", "time", "datacontenttype", "data"} <= set(event)
    assert (event["sequence"], event["data"]) == ("000000000042", {"a": 1})
    # The names of context attributes are lower-case letters and digits only.
    assert all(k.isalnum() and k == k.lower() for k in event)
    with pytest.raises(ValueError, match="source must not be empty"):
        envelope({}, id="u", source="", sequence=1, time="t", type="x", subject="")
