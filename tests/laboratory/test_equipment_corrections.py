"""A run that is declared on another geometry takes over what was recorded about that geometry when it started."""

import json

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.store import Store
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.core.errors import SettingError
from daq.methods.planning.standing import day
from tests.laboratory.parts import FixedClock
from tests.support.runs.virtual_bench import T0, StoredBench

pytestmark = pytest.mark.slow
DAY = 86_400 * 10**9


@pytest.fixture
def bench(tmp_path):
    found = StoredBench(tmp_path / "state")
    found.run = found.measure("G-1")
    with Store(database_path(found.state)) as store:
        found.lab = Laboratory(store, found.catalogue, FixedClock(T0), "m.keeper")
        yield found


def correct(bench):
    """Declare the run on another geometry, a day after it; return its newest result."""
    bench.lab.clock.now = T0 + DAY
    order = {"run": bench.run, "geometry": "coaxial-15", "because": "label of another rotor"}
    carry_out(bench.lab, "run_correct_reviewed", order)
    with bench.lab.reader() as reader:
        return json.loads(reader.newest_result(bench.run).data)


@pytest.mark.parametrize(
    ("out", "back", "refused"),
    [(-9, None, True), (-9, -8, False), (-9, 1, True), (1, None, False), (None, None, False)],
)
def test_a_geometry_that_was_out_of_service_at_the_start_cannot_be_declared(bench, out, back, refused):
    for at, act in ((out, "equipment_out"), (back, "equipment_back")):
        if at is not None:
            bench.lab.clock.now = T0 + at * DAY
            carry_out(bench.lab, act, {"piece": "bench-1/coaxial-15", "because": "bent"})
    if not refused:
        assert "calibration_past_due" not in correct(bench)["faults"]
        return
    with pytest.raises(SettingError, match=r"coaxial-15 was out of service at the start of the run \(bent\): annul"):
        correct(bench)


@pytest.mark.parametrize(("recorded", "late"), [(-9, True), (1, False)])
def test_a_calibration_that_was_overdue_at_the_start_makes_the_corrected_result_uncertain(bench, recorded, late):
    bench.lab.clock.now = T0 + recorded * DAY
    given = {"certificate": "K-1", "day": day(T0 - 40 * DAY), "due": day(T0 - 30 * DAY)}
    carry_out(bench.lab, "equipment_calibrated", {"piece": "bench-1/coaxial-15", **given})
    data = correct(bench)
    assert ("calibration_past_due" in data["faults"]) == late
    assert data["quality"].startswith("Uncertain") or not late
