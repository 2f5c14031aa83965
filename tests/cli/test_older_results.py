"""A result that an older daq stored is compared in the fields it has."""

import json
from unittest.mock import Mock

import pytest

from daq.app.records.replaying import Recomputed, _compare
from daq.core.faults import CHECKS
from daq.core.header import FORMAT
from daq.core.replay import Replay

STORED = {"value": 1.0, "uncertainty": {"components": [{"name": "torque", "u": 0.5}]}}
COMPUTED = {"value": 1.0, "uncertainty": {"components": [{"name": "torque", "u": 0.5, "code": "component_torque"}]}}


def differences(stored, computed, *, number=FORMAT, versions=()):
    out = Recomputed(Replay(header=Mock(format=number, checks=CHECKS)), result=computed, versions=list(versions))
    reader = Mock(
        **{
            "kept_as_measured.return_value": [],
            "kept.return_value": [],
            "results.return_value": [Mock(data=json.dumps(stored))],
        }
    )
    _compare(out, reader, Mock(state="concluded"))
    return [where for where, _, _ in out.differences]


@pytest.mark.parametrize("older", [{"number": FORMAT - 1}, {"versions": [("daq", "0.0.9", "0.1.0")]}])
def test_an_added_field_is_no_difference_from_an_older_result(older):
    assert differences(STORED, COMPUTED, **older) == []
    # A field that was removed, or has another value, is one.
    assert differences(COMPUTED, STORED, **older) == ["result.uncertainty.components[0].code"]
    assert differences(STORED | {"value": 2.0}, COMPUTED, **older) == ["result.value"]
    assert differences(STORED | {"uncertainty": None}, COMPUTED, **older) == ["result.uncertainty"]


def test_a_field_that_a_result_of_this_daq_lacks_is_a_difference():
    assert differences(STORED, COMPUTED) == ["result.uncertainty.components[0].code"]


@pytest.mark.parametrize(
    ("off", "found"), [(1e-12, []), (0.9e-9, []), (1.1e-9, ["result.value"]), (1e-6, ["result.value"])]
)
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_the_rounding_of_another_processor_is_no_difference(off, found, way):
    other = [("processor", "x86_64", "x86_64 avx fma")]
    stored = COMPUTED | {"value": 1.0 + way * off}
    assert differences(stored, COMPUTED, versions=other) == found
    # On the same processor, with the same versions, the result is the same bit for bit.
    assert differences(stored, COMPUTED) == ["result.value"]
