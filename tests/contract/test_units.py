"""Every number of a message has its unit beside it: in the table `units`, in a key `unit`, or it is a count."""

import copy
import json

import pytest

from daq.core.faults import STATUS_CODES, Quality
from daq.methods.concluding.intervals import components_of, stated_interval
from daq.methods.curves.curvedata import CURVE_UNITS, FlowCurveMessage
from daq.methods.files import instrument as files
from daq.methods.messages.leaves import leaves
from daq.methods.messages.result import DIMENSION_UNITS, ResultData
from daq.methods.parts.component_names import SCATTER
from daq.methods.planning.geometries import COMMON
from daq.rheology.uncertainty import from_limit
from daq.rheology.viscosity_budget import Specification, viscosity_components
from simulators.rotational.catalogue import FLUIDS
from tests.support.runs.flow_curves import RECOVERY, measure, text
from tests.support.runs.result_events import SOURCE, own_id, result

DATA = json.loads(result(3)[1])["data"]
COUNTS = {
    "span.n", "steps[].step", "steps[].n", "uncertainty.trials", "uncertainty.seed", "schema_version", "status_code",
    "sample.replicate", "curve.points[].step", "curve.fits[].n", "origin.clock_steps", "origin.audit_number", "origin.audit_before_number",
}  # fmt: skip
"""Whole numbers without a unit."""
ELSEWHERE = {
    "uncertainty.components[].sensitivity": "unit of the value per the component's own unit",
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


def without_unit(data, of=ResultData):
    model = {leaf.dotted: leaf for leaf in leaves(of)}
    units = data["units"]
    out = set()
    for way in numbers(data):
        table = way.rpartition(".")[0]
        # A key beside a number is not for one whose unit the model fixes.
        is_fixed = way in model and model[way].unit
        own = not is_fixed and isinstance(beside := at(data, table), dict) and "unit" in beside
        stated = way in units or table in units or (way in model and model[way].unit_at) or own
        if not stated and way not in COUNTS | ELSEWHERE.keys() and STATEMENTS not in way.split("."):
            out.add(way)
    return out


def at(data, way):
    """Return the value at a path; of a list its first element."""
    for step in way.split(".") if way else ():
        data = data.get(step.removesuffix("[]")) if isinstance(data, dict) else None
        if step.endswith("[]"):
            data = data[0] if data else None
    return data


def test_every_number_of_a_result_has_its_unit():
    assert without_unit(DATA) == set()


@pytest.mark.parametrize("path", sorted({w for w in DATA["units"] if w in set(numbers(DATA))}))
def test_the_check_finds_a_number_without_unit(path):
    data = copy.deepcopy(DATA)
    del data["units"][path]
    assert path in without_unit(data)


LOOP = text([6, 12, 24, 42, 24, 12, 6], settle=1.3, more='branch = "both"')


@pytest.fixture(scope="module", params=["loop", "recovery"])
def curve(request, tmp_path_factory):
    """The message of a flow curve of a slip that breaks down and recovers."""
    written = {"loop": LOOP, "recovery": RECOVERY}[request.param]
    folder = tmp_path_factory.mktemp("curve")
    found, *_ = measure(folder, written, FLUIDS["casting-slip"], "bench-1", "coaxial-12", product="casting-slip")
    assert {"loop": found.loop and found.fits and found.band, "recovery": found.recovery}[request.param]
    origin = {key: DATA[key] for key in ("sample", "method")}
    message = FlowCurveMessage(
        result=own_id(SOURCE, "bench-1", 3), run="run-3", instrument="bench-1", simulated=True, units=CURVE_UNITS,
        curve=found, **origin,
    )  # fmt: skip
    return message.model_dump(mode="json")


def test_every_number_of_a_flow_curve_has_its_unit(curve):
    assert without_unit(curve, FlowCurveMessage) == set()
    for path in sorted({w for w in curve["units"] if w in set(numbers(curve))}):
        data = copy.deepcopy(curve)
        del data["units"][path]
        assert path in without_unit(data, FlowCurveMessage), path
    if curve["curve"]["recovery"]:
        assert curve["curve"]["recovery"]["unit"] == "mPa.s"


def test_every_number_of_the_flow_curve_s_model_has_a_unit():
    """Parts that no example fills count too: each number has a code in the table or a key for it beside it."""
    model = {leaf.dotted: leaf for leaf in leaves(FlowCurveMessage)}
    without = {
        way for way, leaf in model.items()
        if leaf.kind == "number" and way not in CURVE_UNITS and f"{way.rpartition('.')[0]}.unit" not in model
    }  # fmt: skip
    assert without == set()


OWN_UNITS = {
    "torque": "%", "zero": "%", "zero drift": "%", "resolution": "%", "geometry": "1", "speed": "1", "temperature": "K",
    SCATTER: "mPa.s",
}  # fmt: skip


def test_each_component_of_a_viscosity_has_its_own_unit():
    lines = {x["name"]: x for x in DATA["uncertainty"]["components"]}
    assert lines
    assert {name: x["unit"] for name, x in lines.items()} == {name: OWN_UNITS[name] for name in lines}
    given = Specification(
        torque_percent_full_scale=1.0, resolution_percent_full_scale=0.1, speed_percent=0.5, geometry_percent=1.0,
        temperature_kelvin=0.2,
    )  # fmt: skip
    found = viscosity_components(
        800.0,
        50.0,
        given,
        temperature_coefficient=0.03,
        zero_percent=0.2,
        zero_drift_percent=0.1,
        scatter=(1.0, 50, 0.0),
    )
    assert {c.name: c.unit or "mPa.s" for c in found} == OWN_UNITS


@pytest.mark.parametrize("value", [1.0, 800.0, 1e6])
@pytest.mark.parametrize("unit", ["mPa.s", "Pa.s", "g/mL"])
def test_a_component_without_own_unit_is_in_that_of_the_value_and_stays_so_in_the_budget_of_a_correction(value, unit):
    parts = [from_limit("torque", 1.0, value / 50.0, unit="%"), from_limit("instrument", value / 100.0)]
    stated = stated_interval(value, parts, (), unit=unit)
    assert [x.unit for x in stated.components] == ["%", unit]
    again = stated_interval(value, components_of(stated.components, 2.0), (), unit="other")
    assert [x.unit for x in again.components] == ["%", unit]


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
