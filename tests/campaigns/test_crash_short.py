"""A short version of `python -m tests.campaigns.crash`, so that every change is tested with some kills."""

import subprocess
import sys

import pytest

from tests.support.processes.mosquitto import needs_mosquitto

pytestmark = pytest.mark.slow

KILLS = 12


@needs_mosquitto
def test_a_dozen_kills_lose_nothing():
    done = subprocess.run(
        [sys.executable, "-m", "tests.campaigns.crash", "--seed", "7", "--kills", str(KILLS)],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert "violations 0" in rows
    assert any(row.startswith(f"kills (kill -9) {KILLS} in") for row in rows)
