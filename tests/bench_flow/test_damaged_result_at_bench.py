"""A damaged result of the newest run of a bench: the daemon starts, the bench is shown, and the next run starts there."""

import pytest

from daq.adapters.paths import database_path
from daq.app.records.attempts import newest_started
from tests.bench_flow.parts import Shift
from tests.support.damaged_results import damage

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]


async def test_work_at_a_bench_goes_on_after_a_damaged_result(tmp_path):
    async with Shift(tmp_path) as bench:
        await bench.add("E-7", "E-8")
        await bench.open_shift()
        run = await bench.measure("E-7")
        state = bench.supervisor.state
    damage(database_path(state), run, "no verdict")
    (tmp_path / "second").mkdir()
    async with Shift(tmp_path / "second", state=state) as bench:
        view = bench.view()
        assert (view.stage, view.run, view.outcome) == ("verdict", run, "complete")
        assert (view.validity, view.verdict, view.result) == ("", "", None)
        await bench.press("next")
        assert "E-8" in [s.sample for s in bench.view().worklist]
        other = await bench.measure("E-8")
        assert bench.view().result["sample"]["id"] == "E-8"
        with bench.supervisor.store.reader() as reader:
            assert newest_started(reader, "bench-1").id == other
