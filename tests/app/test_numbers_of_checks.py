"""A verification or control has no number among the runs of its sample: a stated one refuses no further run."""

import pytest

from daq.core.errors import SettingError
from tests.support.memory_bench import SupervisorBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]


@pytest.mark.parametrize(
    ("method", "fluid"), [("reference-verification", "reference-b"), ("house-control", "house-oil"), ("short", "")]
)
async def test_a_stated_number_refuses_a_second_run_of_a_sample_but_no_second_check(tmp_path, method, fluid):
    async with SupervisorBench(tmp_path) as bench:
        again = {"method": method, "fluid": fluid, "replicate": 2}
        active = await bench.begin(**again)
        bench.supervisor.stop_run("bench-1", "x")
        await active.task
        if fluid:
            active = await bench.begin(**again)
            bench.supervisor.stop_run("bench-1", "x")
            await active.task
            return
        with pytest.raises(SettingError, match="has a run with the number 2 already"):
            await bench.begin(**again, filling="fresh")
