"""The division of tests into quick and slow ones loses nothing but cases of long sweeps."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.cases import (
    HOUSE,
    LEAST,
    MAIN_JOB,
    ONLY_WHOLE,
    QUICK_CASE_S,
    QUICK_S,
    SLOW_S,
    SWEEP,
    WHOLE,
    divided,
    durations,
)
from tests.support.measured import measured

ROOT = Path(__file__).parents[2]


@given(
    number=st.integers(1, 400),
    mean_s=st.none() | st.floats(0.02, 100),
    quick=st.booleans(),
    name=st.sampled_from([*WHOLE, "tests/any.py::test_any"]),
)
def test_only_sweeps_lose_cases_and_each_case_is_quick_or_slow(number, mean_s, quick, name):
    places = range(7, 7 + number)
    first, rest = divided(places, name, mean_s, quick=quick)
    assert not first & rest
    assert first | rest <= set(places)
    if number < SWEEP or mean_s is None or name in WHOLE:
        assert first | rest == set(places)
    else:
        assert len(first | rest) >= min(number, LEAST)
        assert len(rest) * mean_s <= max(SLOW_S, LEAST * mean_s)
    if not quick or (mean_s or 0) > QUICK_CASE_S:
        assert not first
    elif mean_s is not None:
        assert first
        assert len(first) * mean_s <= QUICK_S or len(first) == 1


def test_every_file_with_a_time_has_its_functions():
    """A renamed function has no time: it would be quick however long it takes.  `python -m tests.durations` measures anew."""
    found: dict[str, set[str]] = {}
    gone = []
    for name in [*durations(), *ONLY_WHOLE]:
        file, _, function = name.partition("[")[0].partition("::")
        if file not in found:
            path = ROOT / file
            text = path.read_text() if path.exists() else ""
            found[file] = set(re.findall(r"^\s*(?:def|async def|class|(?=Test)) ?(\w+)", text, re.MULTILINE))
        if not set(function.split("::")) - {"runTest"} <= found[file]:
            gone.append(name)
    assert gone == []
    assert [name for name in (MAIN_JOB, *HOUSE) if not (ROOT / name).exists()] == []


@pytest.mark.parametrize("name", [MAIN_JOB, *HOUSE])
def test_the_rules_of_the_house_and_the_main_job_are_quick_however_long_they_take(name):
    assert divided(range(20), f"{name}::test_any", 90.0, quick=True) == (set(range(20)), set())
    assert divided(range(20), f"{name}::test_any", 90.0, quick=False) == (set(), set(range(20)))


LOG = """\
[gw0] [  1%] PASSED tests/a.py::test_many[x y]{space}
[gw1] [  1%] PASSED tests/a.py::test_many[long]
[gw1] [  1%] PASSED tests/a.py::test_many[z]
[gw1] [  2%] FAILED tests/a.py::test_one
0.90s setup    tests/a.py::test_many[x y]
9.00s call     tests/a.py::test_many[long]
0.12s call     tests/a.py::test_many[x y]
7.00s call     tests/a.py::test_one
"""


def test_a_case_that_is_much_longer_than_the_others_has_a_time_of_its_own_and_a_shared_fixture_has_none():
    found = measured([LOG.format(space=" ")])
    assert found == {"tests/a.py::test_many": 0.51, "tests/a.py::test_many[long]": 9.0, "tests/a.py::test_one": 7.0}
    name = "tests/a.py::test_many[long]"
    assert divided([3], name, found[name], quick=True) == (set(), {3})
