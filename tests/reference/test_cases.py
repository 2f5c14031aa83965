"""Every value of the tables in this folder, through the public functions."""

import functools

import pytest

from tests.reference import (
    fluid_cases,
    geometry_cases,
    model_cases,
    protocol_cases,
    statistics_cases,
    uncertainty_cases,
)
from tests.reference.tables import EXPECTED, INPUTS

EVALUATE = (
    geometry_cases.EVALUATE
    | fluid_cases.EVALUATE
    | model_cases.EVALUATE
    | statistics_cases.EVALUATE
    | uncertainty_cases.EVALUATE
    | protocol_cases.EVALUATE
)

NOT_OURS = {
    "TMP-VI-01": "the viscosity index of lubricating oils is a kinematic quantity that nothing here measures",
    "FLU-HAND-01": "handbook figures for teaching, marked by their author as no ground for a test",
    "PRA-E3116-02": "requirements on an apparatus, not a calculation",
}


@functools.cache
def evaluated(case):
    return EVALUATE[case](INPUTS[case])


def test_every_case_is_evaluated_or_explained():
    assert set(EVALUATE) | set(NOT_OURS) == set(INPUTS)
    assert not set(EVALUATE) & set(NOT_OURS)


def test_every_case_names_its_source():
    assert all(i["source"] and i["standing"] in {"computed", "quoted", "memory"} for i in INPUTS.values())


@pytest.mark.parametrize(
    "expected",
    [e for e in EXPECTED if e.case not in NOT_OURS],
    ids=lambda e: f"{e.case}:{e.quantity}",
)
def test_value(expected):
    got = evaluated(expected.case)
    assert expected.quantity in got, f"no such quantity; there are {sorted(got)}"
    value = got[expected.quantity]
    assert expected.holds(value), (
        f"{value!r} instead of {expected.value!r} ({expected.kind} {expected.tolerance}); "
        f"source: {INPUTS[expected.case]['source']}"
    )
