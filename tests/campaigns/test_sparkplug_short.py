"""A short version of `python -m tests.campaigns.sparkplug`, so that every change is tested with some kills."""

import pytest

from tests.campaigns.sparkplug.harness import campaign
from tests.support.processes.mosquitto import needs_mosquitto

pytestmark = [pytest.mark.slow, pytest.mark.asyncio, needs_mosquitto]


async def test_no_result_is_missing_after_kills_and_cuts(tmp_path):
    figures = await campaign(tmp_path, kills=5, results=120, seed=3, pause_s=2.0)
    assert figures.results == 120
    assert figures.missing == []
    assert figures.received >= 120
    assert figures.sessions > 1
