"""A short version of `python -m tests.campaigns.collect`, so that every change is tested with some kills."""

import subprocess
import sys

import pytest

from tests.support.processes.mosquitto import needs_mosquitto
from tests.support.processes.postgres import needs_postgres

pytestmark = pytest.mark.slow

RESULTS = 1500
KILLS = 6


@needs_postgres
@needs_mosquitto
@pytest.mark.timeout(200)
def test_two_workers_killed_at_random_lose_nothing_and_take_nothing_twice():
    done = subprocess.run(
        [sys.executable, "-m", "tests.campaigns.collect", "--results", str(RESULTS), "--kills", str(KILLS),
         "--rate", "300", "--seed", "7", "--no-restart"],
        capture_output=True, text=True, timeout=180, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert f"rows in the table {RESULTS}" in rows
    assert {"missing 0", "twice 0", "changed 0"} <= set(rows)
    assert any(row.startswith(f"collectors killed (kill -9) {KILLS}:") for row in rows)
