"""The tables derived from a result's model, compared row by row with its published JSON Schema, and their names.

These tests walk the schema by the rules of JSON Schema, without the code that makes the tables.
"""

import argparse
import json
from dataclasses import fields

import pytest

from daq.adapters.sparkplug.metrics import DataType
from daq.adapters.store.rows import ResultRecord, RunRecord
from daq.adapters.store.schema import BASELINE_0001
from daq.app.cli.measuring.run import arguments
from daq.app.delivery.contract import SCHEMAS
from daq.app.delivery.sparkplug_metrics import RESULT_METRICS, no_result, result_metrics
from daq.app.setup.run_order import RunOrder
from daq.collect.columns import CURVE, OF_TABLES, REPORTABLE, RESULT, SIGNATURE
from daq.methods.messages.flat import FLAT_COLUMNS, LEFT_OUT, STATEMENTS, flattened
from daq.methods.messages.leaves import WrongPartError, leaf_at, value_at
from daq.methods.messages.named import RESULT_NAMES, UNNAMED, names
from daq.methods.messages.result import ResultData
from daq.methods.parts.origin import Sample
from tests.support.runs.result_events import result
from tests.support.schemas import SQL, place, resolved

PRESENT = {s.name: json.loads(s.text()) for s in SCHEMAS}
OWN_UNIT = {"uncertainty.components[].sensitivity"}
"""Places in a ratio of two units that the result states."""
SPARKPLUG = {
    "string": DataType.STRING, "uuid": DataType.STRING, "number": DataType.DOUBLE, "integer": DataType.INT64,
    "boolean": DataType.BOOLEAN,
}  # fmt: skip


def all_leaves(root, schema, way=""):
    """Return the paths of all places without inner parts."""
    for one in resolved(root, schema):
        if "properties" in one:
            for name, inner in one["properties"].items():
                yield from all_leaves(root, inner, f"{way}.{name}" if way else name)
        elif one.get("type") == "array" and any("properties" in o for o in resolved(root, one["items"])):
            yield from all_leaves(root, one["items"], way + "[]")
        elif one.get("type") != "null":
            yield way


LEAVES = sorted(set(all_leaves(PRESENT["result"], PRESENT["result"])))


def inside(path, prefixes):
    return any(path == p or path.startswith((p + ".", p + "[]")) for p in prefixes)


@pytest.mark.parametrize(
    ("table", "column"),
    [(t, c) for t, columns in OF_TABLES.items() for c in columns],
    ids=lambda x: getattr(x, "name", x),
)
def test_a_column_has_the_type_of_its_place_in_the_payload(table, column):
    root = PRESENT[table.removesuffix("s")]
    kind, may_be_null, beside = place(root, column.named.leaf.dotted)
    nullable = may_be_null and kind != "object"
    assert column.declared == SQL[kind] + ("" if nullable else " NOT NULL")
    assert column.comment.startswith(f"data.{column.named.leaf.dotted}")
    if "unit" in beside:
        assert column.comment.endswith(f"unit {beside['unit']}")
    elif kind == "number":
        assert column.comment.endswith(f"unit in data.{beside['unit_at']}")


@pytest.mark.parametrize("metric", no_result(5), ids=lambda m: m.name)
def test_a_metric_has_the_type_and_the_unit_of_its_place(metric):
    named = {f"result/{n.name}": n.leaf.dotted for n in RESULT_METRICS}
    if metric.name not in named:
        assert metric.name in ("result/id", "result/source", "result/sequence")
        return
    kind, _, beside = place(PRESENT["result"], named[metric.name])
    assert metric.type == SPARKPLUG[kind]
    units = [p.value for p in metric.properties if p.key == "unit"]
    assert units == ([beside["unit"]] if "unit" in beside else [])


def test_the_metrics_of_a_result_have_the_values_at_their_places():
    _, message = result()
    data = json.loads(message)["data"]
    record = ResultRecord("r", "run", 1, "bench-1", 1, json.dumps(data), 5, None, 1, "", "")
    found = {m.name: m for m in result_metrics(record, "db")}
    for named in RESULT_METRICS:
        metric = found[f"result/{named.name}"]
        here = data
        for step in named.leaf.path:
            here = None if here is None else here[step]
        assert metric.value == here
        units = {p.value for p in metric.properties if p.key == "unit"}
        beside = place(PRESENT["result"], named.leaf.dotted)[2]
        assert units == ({beside["unit"]} if "unit" in beside else {data["unit"]} if "unit_at" in beside else set())
    assert {p.key for p in found["result/expanded"].properties} == {"unit", "k", "coverage"}


@pytest.mark.parametrize("key", FLAT_COLUMNS)
def test_a_flat_key_has_the_type_and_the_unit_of_its_place(key):
    leaf = FLAT_COLUMNS[key]
    kind, may_be_null, beside = place(PRESENT["result"], leaf.dotted)
    flat_kind, flat_null, flat_beside = place(PRESENT["result-flat"], key)
    joined = kind == "array" or "[]" in leaf.dotted
    assert flat_kind == ("string" if joined else kind if kind not in ("date-time", "uuid") else "string")
    # A list is empty where it has no element, and null only where the part around it is.
    before, is_list, _ = leaf.dotted.partition("[]")
    assert flat_null == (place(PRESENT["result"], before)[1] if is_list else may_be_null)
    assert flat_beside.get("unit") == beside.get("unit")
    if "unit_at" in beside:
        assert flat_beside["unit_at"] in FLAT_COLUMNS


def test_the_flat_variant_has_the_values_at_its_places():
    limits = [
        {"quantity": "viscosity", "low": 1.0, "high": 2.0, "unit": "Pa.s", "verdict": "not_comparable"},
        {"quantity": "viscosity", "low": 300.0, "high": 900.0, "unit": "mPa.s", "verdict": "within"},
    ]
    _, message = result(
        change={
            "verdict.limits": limits,
            "faults": ["a", "b"],
            "advice": [{"code": "c", "text": "x"}, {"code": "d", "text": "y"}],
            "corrected": None,
        }
    )
    found = flattened(json.loads(message)["data"])
    assert (found["limit_low"], found["limit_high"], found["limit_unit"]) == (300.0, 900.0, "mPa.s")
    assert (found["faults"], found["advice"], found["corrected_value"]) == ("a; b", "x; y", None)
    assert found["advice_codes"] == "c; d"
    assert set(found) == set(PRESENT["result-flat"]["properties"])


def test_every_leaf_is_in_the_flat_variant_or_left_out_with_a_reason():
    there = {leaf.dotted for leaf in FLAT_COLUMNS.values()}
    statements = {f"{path}.{key}" for path in STATEMENTS for key in ("code", "text")}
    assert statements <= there
    assert [p for p in LEAVES if (p in there) == inside(p, LEFT_OUT) and p not in statements] == []
    assert [p for p in LEFT_OUT if not any(inside(leaf, [p]) for leaf in LEAVES)] == []
    assert all(LEFT_OUT.values())


def test_every_leaf_has_a_short_name_or_a_reason_for_none():
    there = {n.leaf.dotted for n in RESULT_NAMES if "[" not in n.leaf.dotted and n.leaf.kind != "part"}
    assert [p for p in LEAVES if (p in there) == inside(p, UNNAMED)] == []
    assert [p for p in UNNAMED if not any(inside(leaf, [p]) for leaf in LEAVES)] == []
    assert all(UNNAMED.values())


@pytest.mark.parametrize("path", LEAVES)
def test_every_number_has_a_unit(path):
    kind, _, beside = place(PRESENT["result"], path)
    if kind == "number" and path not in OWN_UNIT:
        assert ("unit" in beside) != ("unit_at" in beside)
    if "unit_at" in beside and "*" not in beside["unit_at"]:
        assert place(PRESENT["result"], beside["unit_at"])[0] == "string"


def test_names_are_unique():
    for table in (RESULT_NAMES, RESULT, CURVE, REPORTABLE, SIGNATURE, RESULT_METRICS):
        assert len({row.name for row in table}) == len(table)


@pytest.mark.parametrize("path", ["valeu", "sample.colour", "value.more", "conditions.signals.*.colour"])
def test_a_path_that_is_not_in_the_model_is_refused(path):
    with pytest.raises(KeyError):
        names(ResultData, ((path, path),))


def test_data_of_another_shape_are_named_with_their_path():
    low = leaf_at(ResultData, "verdict.limits[decisive].low").path
    for data, message in (
        ({"verdict": 3}, r"data\.verdict is not a JSON object"),
        ({"verdict": {"limits": 3}}, r"data\.verdict\.limits is not a list"),
    ):
        with pytest.raises(WrongPartError, match=message):
            value_at(data, low)
    assert value_at({"verdict": {"limits": []}}, low) is None
    assert value_at({}, low) is None


def test_details_of_a_sample_have_one_name_from_the_command_line_to_the_payload():
    named = set(Sample.model_fields) - {"id", "sheared"}
    assert named == {"product", "lot", "fill", "replicate", "sampled_at"}
    assert named <= set(RunOrder.model_fields)
    assert named <= {f.name for f in fields(RunRecord)}
    runs = BASELINE_0001.partition("CREATE TABLE runs (")[2].partition(") STRICT")[0]
    assert named <= {line.split()[0] for line in runs.strip().splitlines()}
    parser = argparse.ArgumentParser()
    arguments(parser)
    options = parser.format_help()
    assert all(f"--{name.replace('_', '-')} " in options for name in named)
    assert {f"sample_{name}" for name in named} <= set(FLAT_COLUMNS)
    assert named <= {c.name for c in RESULT}
