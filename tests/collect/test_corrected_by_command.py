"""`daq correct` and `daq annul` at a daemon, through a real broker, to the tables of the collector."""

import asyncio
import json

import pytest

from tests.collect.parts import until
from tests.support.processes.collector import collecting, worker_settings
from tests.support.processes.laboratory import Daemon, Lab, Simulators
from tests.support.processes.mosquitto import needs_mosquitto
from tests.support.processes.postgres import needs_postgres

pytestmark = [pytest.mark.slow, pytest.mark.timeout(480), needs_postgres, needs_mosquitto]

ALL = "SELECT id::text, superseded_by::text FROM lab.result_releases ORDER BY superseded_by IS NULL, measured"


@pytest.fixture
def lab(tmp_path):
    simulators = Simulators(tmp_path)
    (tmp_path / "lab").mkdir()
    made = Lab(tmp_path / "lab", simulators, marked=False)
    made.start_broker()
    yield made
    made.close()
    simulators.stop()


def acted(lab, *words):
    """Run a command that supersedes the result of a run, and return the new result."""
    done = lab.daq(*words)
    assert done.returncode == 0, done.stdout + done.stderr
    with lab.reader() as reader:
        return reader.newest_result(words[1])


@pytest.mark.asyncio
async def test_the_collector_has_each_result_and_which_one_is_in_force(lab, database, query):
    daemon = await asyncio.to_thread(Daemon, lab)
    settings = worker_settings(lab.broker, database, levels=("works",))
    async with collecting(settings):
        await asyncio.to_thread(daemon.ready)
        run = await asyncio.to_thread(daemon.run)
        first = (await asyncio.to_thread(run.until, "outcome"))["result_id"]
        count = "SELECT count(*) FROM lab.results"
        await until(query, count, [(1,)])
        because = ("--because", "the other cylinder was fitted")
        second = await asyncio.to_thread(acted, lab, "correct", run.run_id, "--geometry", "coaxial-12", *because)
        await until(query, count, [(2,)])
        assert query(ALL) == [(first, second.id), (second.id, None)]
        third = await asyncio.to_thread(acted, lab, "annul", run.run_id, "--because", "spilled")
        await until(query, count, [(3,)])
        assert query(ALL) == [(first, second.id), (second.id, third.id), (third.id, None)]
        values = dict(query("SELECT id::text, event->'data'->'value' FROM lab.results"))
        with lab.reader() as reader:
            stored = {r.id: json.loads(r.data) for r in reader.results(run.run_id)}
        assert values == {ident: data["value"] for ident, data in stored.items()}
        assert values[first] is not None, stored[first]["reasons"]
        assert values[first] != values[second.id]
        await asyncio.to_thread(daemon.stop)
