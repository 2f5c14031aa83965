"""Every number of a message has its unit beside it: in the table `units`, in a key `unit`, or it is a count."""

import copy
import json

import pytest

from daq.core.faults import STATUS_CODES, Quality
from daq.methods.files import instrument as files
from daq.methods.messages.leaves import leaves
from daq.methods.messages.result import DIMENSION_UNITS, ResultData
from daq.methods.planning.geometries import COMMON
from tests.support.runs.result_events import result

DATA = json.loads(result(3)[1])["data"]
COUNTS = {
    "span.n", "steps[].step", "steps[].n", "uncertainty.trials", "uncertainty.seed", "schema_version", "status_code",
    "sample.replicate", "origin.clock_steps", "origin.audit_number", "origin.audit_before_number",
}  # fmt: skip
"""Whole numbers without a unit."""
ELSEWHERE = {
    "uncertainty.components[].standard_uncertainty": "in the component's own unit, which no file states",
    "uncertainty.components[].sensitivity": "per the component's own unit",
}
STATEMENTS = "parameters"
"""Part of a path below which the list of codes states the units."""


def numbers(node, way=""):
    if isinstance(node, dict):
        for key, inner in node.items():
            yield from numbers(inner, f"{way}.{key}" if way else key)
    elif isinstance(node, list):
        for inner in node:
            yield from numbers(inner, f"{way}[]")
    elif isinstance(node, (int, float)) and not isinstance(node, bool):
        yield way


def without_unit(data):
    model = {leaf.dotted: leaf for leaf in leaves(ResultData)}
    units = data["units"]
    out = set()
    for way in numbers(data):
        table = way.rpartition(".")[0]
        own = isinstance(beside := at(data, table), dict) and "unit" in beside
        stated = way in units or table in units or (way in model and model[way].unit_at) or own
        if not stated and way not in COUNTS | ELSEWHERE.keys() and STATEMENTS not in way.split("."):
            out.add(way)
    return out


def at(data, way):
    for step in way.split(".") if way else ():
        if "[]" in step or not isinstance(data, dict):
            return None
        data = data.get(step)
    return data


def test_every_number_of_a_result_has_its_unit():
    assert without_unit(DATA) == set()


@pytest.mark.parametrize("path", sorted({w for w in DATA["units"] if w in set(numbers(DATA))}))
def test_the_check_finds_a_number_without_unit(path):
    data = copy.deepcopy(DATA)
    del data["units"][path]
    assert path in without_unit(data)


def test_dimensions_that_are_no_lengths_are_in_the_table():
    kinds = [files.CoaxialCylinders, files.SingleCylinder, files.ConeAndPlate, files.ParallelPlates, files.Disc,
             files.Vane, files.CalibratedConstants]  # fmt: skip
    sizes = {k: f for m in kinds for k, f in m.model_fields.items() if k not in COMMON}
    lengths = {k for k, f in sizes.items() if "in mm" in (f.description or "")}
    plain = {k for k, f in sizes.items() if float in (f.annotation, *getattr(f.annotation, "__args__", ()))}
    assert plain - lengths == DIMENSION_UNITS.keys() & plain
    assert not lengths & DIMENSION_UNITS.keys()


@pytest.mark.parametrize("quality", Quality)
def test_the_status_number_is_that_of_the_quality(quality):
    """OPC UA Part 4, section 7.39.1: the two highest bits are the severity, Good 0, Uncertain 1, Bad 2."""
    assert STATUS_CODES[quality] >> 30 == quality.severity
    if quality.value == DATA["quality"]:
        assert DATA["status_code"] == STATUS_CODES[quality]
