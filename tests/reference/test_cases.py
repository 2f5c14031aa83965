"""Every value of the tables in this folder, compared with the public functions."""

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
from tests.support.reference.tables import EXPECTED, INPUTS

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
    "GEO-PP-03": "plates are corrected at the rim with a series of speeds, not at a single point",
    "MOD-THIX-01": "recovery is measured; no kinetics are fitted to it",
    "UNC-RND-01": "results carry all digits; the product says to how many decimals they are reported",
}
"""Cases that no function of the program covers."""

NOT_OURS_VALUES = {
    "GEO-DISC-01": {"torque_sphere": "there is no sphere among the geometries"},
    "MOD-PL-TWO": dict.fromkeys(("n", "K"), "a power law is fitted to a series, not passed through two points"),
    "PRA-STI-01": dict.fromkeys(
        ("flow_behaviour_index_n", "thixotropy_ratio_after_over_before"),
        "the index and the recovered part are reported",
    ),
    "PRA-TEMP-01": dict.fromkeys(
        ("25.00 25.05 24.95 over 60 s", "25.00 25.11 25.00 over 60 s", "25.00 25.00 over 59 s"),
        "the gate of a method judges the temperature while a run goes on",
    ),
    "TMP-PT100-03": dict.fromkeys(
        ("AA_25", "A_25", "B_25", "B_100"), "the limit of a probe comes from its certificate, not from its class"
    ),
}
"""Values of evaluated cases that no function of the program covers."""


@functools.cache
def evaluated(case):
    return EVALUATE[case](INPUTS[case])


def test_every_case_is_evaluated_or_explained():
    assert set(EVALUATE) | set(NOT_OURS) == set(INPUTS)
    assert not set(EVALUATE) & set(NOT_OURS)
    for case, quantities in NOT_OURS_VALUES.items():
        assert set(quantities) <= {e.quantity for e in EXPECTED if e.case == case}
        assert not set(quantities) & set(evaluated(case))


def test_every_case_names_its_source():
    assert all(i["source"] and i["standing"] in {"computed", "quoted", "memory"} for i in INPUTS.values())


@pytest.mark.parametrize(
    "expected",
    [e for e in EXPECTED if e.case not in NOT_OURS and e.quantity not in NOT_OURS_VALUES.get(e.case, ())],
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
