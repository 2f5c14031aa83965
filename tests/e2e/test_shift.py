"""`daq demo --shift`: a whole shift, and its records afterwards."""

import json
import subprocess
import sys
from collections import Counter

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader

pytestmark = pytest.mark.slow

HELD = "C-0315"
"""The sample that is measured before the control of its bench has passed."""


@pytest.fixture(scope="module")
def shift(tmp_path_factory):
    """Return what the command printed, and the state directory that it left."""
    folder = tmp_path_factory.mktemp("shift") / "kept"
    command = [sys.executable, "-m", "daq", "demo", "--shift", "--keep", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=900)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout, folder / "state"


@pytest.fixture(scope="module")
def results(shift):
    """Return the results of the day by sample, in order; the newest of each run."""
    with Reader(database_path(shift[1])) as reader:
        runs = sorted(reader.runs(limit=1000), key=lambda run: run.began_utc_ns)
        return [(run, json.loads(reader.results(run.id)[-1].data)) for run in runs]


@pytest.mark.timeout(1000)
def test_fifty_samples_of_six_products_are_measured_on_three_benches(results):
    samples = {(run.product, run.sample) for run, _ in results if run.product}
    assert len(samples) == 50
    assert len({product for product, _ in samples}) == 6
    assert {run.instrument for run, _ in results} == {"bench-1", "bench-2", "bench-3"}
    assert {run.sample for run, data in results if data["quality"] != "Good"} == {HELD}
    assert all(run.simulated for run, _ in results)


def test_what_goes_wrong_is_in_the_records(shift, results):
    output, _ = shift
    verdicts = Counter(data["verdict"]["verdict"] for run, data in results if run.product)
    assert verdicts.keys() == {"within", "outside", "not_comparable"}
    (outside,) = [run.sample for run, data in results if run.product and data["verdict"]["verdict"] == "outside"]
    assert f"{outside} " in output
    passed = [
        data["verification"]["passed"]
        for run, data in results
        if data["verification"] and run.instrument == "bench-1" and run.sample != "house-oil"
    ]
    assert passed == [False, True]
    corrected = [
        run.sample for run, data in results if data.get("declared") or "corrected" in json.dumps(data["warnings"])
    ]
    assert corrected == ["G-2052"]
    assert "refused: " in output
    assert "daq fit bench-2" in output
    assert Counter(run.sample for run, _ in results if run.product == "engobe") == {
        f"E-{511 + n:04d}": 2 for n in range(7)
    }


def test_each_bench_measures_the_control_fluid_first_and_one_is_held_until_it_passes(shift, results):
    passed = {"bench-1": [], "bench-2": [], "bench-3": []}
    for run, data in results:
        if run.product:
            assert passed[run.instrument], "a sample was measured before the first control"
        if run.sample == "house-oil":
            passed[run.instrument].append(data["verification"]["passed"])
    assert passed == {"bench-1": [True], "bench-2": [True], "bench-3": [False, True]}
    held = [data for run, data in results if run.sample == HELD]
    assert [(data["quality"], data["verdict"]["verdict"]) for data in held] == [
        ("Uncertain", "not_comparable"), ("Good", "within"),
    ]  # fmt: skip
    assert "control_failed" in {reason["code"] for reason in held[0]["reasons"]}
    assert f"{HELD} must be measured again" in shift[0]


def test_the_stored_data_agree_with_the_audit_trail(shift):
    command = [sys.executable, "-m", "daq", "--state", str(shift[1]), "verify"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
