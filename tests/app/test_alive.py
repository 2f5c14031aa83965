"""Files that are changed while the daemon runs: the next run uses what the file shows, or is refused by name."""

import pytest

from daq.core.errors import SettingError
from tests.support.file_bench import FileBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]


async def test_a_fitted_geometry_that_is_changed_in_the_file_gives_no_wrong_number(tmp_path):
    """The certified fluid (483.2 mPa.s at 25 Cel) on the narrow gap, with the file changed to the wide gap and back."""
    async with FileBench(tmp_path) as bench:
        right = await bench.measured()
        assert right["value"] == pytest.approx(483.2, rel=0.03)
        bench.change("instruments/bench-1", 'fitted = "coaxial-15"', 'fitted = "coaxial-12"')
        bench.mount("bench-1", "coaxial-12")
        with pytest.raises(SettingError, match="daq fit bench-1 coaxial-12") as refused:
            await bench.begin_on()
        assert (refused.value.key, refused.value.file) == ("fitted", str(bench.path("instruments/bench-1")))
        await bench.fit("bench-1", "coaxial-12")
        found = await bench.measured()
        assert found["value"] == pytest.approx(483.2, rel=0.03)
        assert (found["geometry"]["name"], found["quality"]) == ("coaxial-12", right["quality"])
