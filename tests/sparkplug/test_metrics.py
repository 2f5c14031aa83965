"""Results and readings as metrics: null values, quality, and the same names in every message."""

import json

import pytest

from daq.adapters.sparkplug.encode import payload
from daq.adapters.sparkplug.metrics import DataType, QualityCode
from daq.adapters.store.rows import ResultRecord
from daq.app.delivery.sparkplug_metrics import (
    channel_metrics,
    instrument_metrics,
    no_result,
    node_metrics,
    result_metrics,
)
from daq.core.driver import Channel
from daq.core.faults import Quality
from daq.methods.concluding.conclude import conclude
from daq.methods.files.fields import name
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from tests.support.instruments.built_in import DRIVERS
from tests.support.runs.examples import facts, kept, load_changed, plan_of, summaries
from tests.support.sparkplug.decoder import decode

CHANNELS = (Channel("torque", "%", 0, 100), Channel("speed", "/min", 0, 200), Channel("temperature", "Cel", -10, 90))


def record(**data):
    return ResultRecord("r-1", "run-1", 3, "bench-1", 12, json.dumps(data), 1_790_000_000_123_456_789, None, 77, "", "")


def by_name(metrics):
    return {m.name: m for m in metrics}


def properties(metric):
    return {p.key: p.value for p in metric.properties}


def test_a_device_without_results_has_the_same_metrics_all_null():
    empty, full = no_result(5), result_metrics(record(value=1.5, unit="mPa.s", quality="Good"), "db-1")
    assert [(m.name, m.type) for m in empty] == [(m.name, m.type) for m in full]
    assert {m.value for m in empty} == {None}
    assert properties(by_name(empty)["result/value"])["Quality"] == QualityCode.BAD


def test_a_result_carries_its_identity_and_the_time_of_its_end():
    got = by_name(result_metrics(record(value=1.5, unit="mPa.s", quality="Good"), "db-1"))
    assert got["result/source"].value == "urn:uuid:db-1#3"
    assert (got["result/id"].value, got["result/sequence"].value) == ("r-1", 12)
    assert {m.time_ms for m in got.values()} == {1_790_000_000_123}


@pytest.mark.parametrize("quality", list(Quality))
def test_only_good_is_good(quality):
    """A host with only Sparkplug's three codes must not take a doubtful number for a good one."""
    got = by_name(result_metrics(record(value=1.5, unit="mPa.s", quality=quality.value), "db-1"))["result/value"]
    assert properties(got)["Quality"] == (192 if quality is Quality.GOOD else 0)
    assert properties(got)["opc_ua_quality"] == quality.value
    assert got.value == 1.5


@pytest.mark.parametrize("quality", ["Good_Overload", "", None, 7])
def test_an_unknown_quality_is_not_good(quality):
    got = by_name(result_metrics(record(value=1.5, unit="mPa.s", quality=quality), "db-1"))["result/value"]
    assert properties(got)["Quality"] == 0


def test_numbers_of_any_size_are_carried():
    got = result_metrics(record(sample={"id": "S", "replicate": 10**12}, unit="1", quality="Good"), "db-1")
    assert payload(got, 1, 1)


def test_a_number_that_cannot_be_believed_is_null():
    data = {"value": None, "unit": "mPa.s", "quality": "Bad", "uncertainty": None, "span": None, "sample": {"id": "S"}}
    got = by_name(result_metrics(record(**data), "db-1"))
    assert got["result/value"].value is None
    assert got["result/expanded"].value is None
    assert got["result/n"].value is None
    assert got["result/sample"].value == "S"


@pytest.mark.parametrize(
    ("values", "faults", "expected"),
    [
        ((50.0, 12.0, 25.0), (), [(50.0, "Good"), (12.0, "Good"), (25.0, "Good")]),
        ((100.0, 12.0, 25.0), (("torque", "saturated"),), [(None, "Bad"), (12.0, "Good"), (25.0, "Good")]),
        ((50.0, 12.0, None), (("temperature", "probe"),), [(50.0, "Good"), (12.0, "Good"), (None, "Bad_SensorFailure")]),
        ((50.0, 250.0, 25.0), (("speed", "beyond_range"),),
         [(50.0, "Good"), (250.0, "Uncertain_EngineeringUnitsExceeded"), (25.0, "Good")]),
        ((None, None, None), (("", "silent"),), [(None, "Bad_NoCommunication")] * 3),
        ((50.0, 12.0, None), (), [(50.0, "Good"), (12.0, "Good"), (None, "Bad_NoCommunication")]),
    ],
)  # fmt: skip
def test_readings_carry_the_quality_of_their_own_channel(values, faults, expected):
    named = dict(zip(("torque", "speed", "temperature"), values, strict=True))
    got = list(channel_metrics(CHANNELS, named, faults, 9))
    assert [(m.value, properties(m)["opc_ua_quality"]) for m in got] == expected
    assert [properties(m)["unit"] for m in got] == ["%", "/min", "Cel"]
    assert {m.type for m in got} == {DataType.DOUBLE}


def test_an_instrument_without_reading_has_all_its_channels():
    assert [m.name for m in channel_metrics(CHANNELS, {}, (), 9)] == [
        "channel/torque",
        "channel/speed",
        "channel/temperature",
    ]


GUARDED = 'rounding = "unrounded"\nacceptance = "guard_banded_acceptance"\n'


@pytest.mark.parametrize(
    ("viscosity", "edits", "verdict"),
    [
        # Limits of 700 and 900 mPa.s, U about 2.4 % of the value.
        (800.0, (GUARDED,), "within"), (695.0, (GUARDED,), "undecided"), (705.0, (GUARDED,), "undecided"),
        (890.0, (GUARDED,), "undecided"), (910.0, (GUARDED,), "undecided"), (1000.0, (GUARDED,), "outside"),
        (890.0, (), "within"), (910.0, (), "outside"),
    ],
)  # fmt: skip
def test_every_verdict_is_on_the_wire_and_undecided_is_one_of_its_own(tmp_path, viscosity, edits, verdict):
    product = load_changed(tmp_path, "products/clear-glaze.toml", *(('rounding = "unrounded"', e) for e in edits))
    plan = plan_of("clear-glaze-qc", "bench-1", product=product)
    found = conclude(plan, facts([kept(summaries(viscosity))]))
    data = ResultData.build(plan, found, RunDetails(run="run-1", sample=Sample(id="S-1"))).model_dump(mode="json")
    assert data["verdict"]["verdict"] == verdict
    sent = payload(result_metrics(record(**data), "db-1"), 1, 1, birth=True)
    got = decode(sent).by_name()["result/verdict"]
    assert (got.value, got.datatype, got.null) == (verdict, 12, False)  # 12 is String (specification 3.0, 6.4.16)


@pytest.mark.parametrize("driver", DRIVERS.values(), ids=DRIVERS)
def test_names_differ_in_more_than_the_case_of_letters(driver):
    """Source: Sparkplug 3.0.0, chapter 5 (tck-id-case-sensitivity-...).  Names of devices have small letters only."""
    values = dict.fromkeys(c.name for c in driver.channels)
    device = (
        *instrument_metrics("ready", driver.kind, None, 5), *channel_metrics(driver.channels, values, (), 5), *no_result(5)
    )  # fmt: skip
    for metrics in (device, node_metrics("urn:uuid:0#1", 5)):
        assert len({m.name.lower() for m in metrics}) == len(metrics)
    for wrong in ("Rotor", "rOtor-1", "ROTOR"):
        with pytest.raises(ValueError, match="small letter"):
            name(wrong)
    assert name("rotor-1") == "rotor-1"
