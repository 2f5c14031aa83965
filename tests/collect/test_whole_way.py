"""From the daemon's store and publisher to the table, with lost results requested and sent again."""

import json

import pytest

from daq.adapters.store.epochs import StartEpoch
from daq.adapters.store.store import Store
from tests.collect.parts import measure, publishing, until
from tests.support.processes.collector import collecting, worker_settings
from tests.support.processes.mosquitto import eventually, needs_mosquitto
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.stored import T0

pytestmark = [pytest.mark.slow, needs_postgres, needs_mosquitto]


@pytest.fixture
def hurried(monkeypatch):
    monkeypatch.setattr("daq.collect.housekeeping.BEAT_S", 0.2)
    monkeypatch.setattr("daq.collect.gaps.SPACING_S", 0.5)


def message(store, sequence, stream="bench-1"):
    """Return the event of a result as its outbox has it."""
    with store.reader() as reader:
        (row,) = reader.query(
            "SELECT payload FROM outbox WHERE stream = ? AND sequence = ? LIMIT 1", (stream, sequence)
        )
    return json.loads(row["payload"])


@pytest.mark.asyncio
@pytest.mark.usefixtures("hurried")
async def test_a_collector_that_comes_late_gets_the_whole_history_even_of_a_former_epoch(
    broker, database, query, tmp_path
):
    first = Store(tmp_path / "daq.sqlite", utc_ns=T0)
    measure(first, 12)
    measure(first, 3, "bench-2")
    async with publishing(first, broker) as delivering:
        await eventually(lambda: delivering.state.delivered >= 15)  # without receiver: no collector has a session yet
        async with (
            collecting(worker_settings(broker, database, "a")),
            collecting(worker_settings(broker, database, "b")),
        ):
            await until(query, "SELECT count(*), count(DISTINCT id) FROM lab.results", [(15, 15)])
            await until(query, "SELECT count(*) FROM lab.gaps", [(0,)])
    sent = message(first, 7)
    assert query("SELECT event FROM lab.results WHERE stream = 'bench-1' AND sequence = 7") == [(sent,)]

    # The bench's database is put back: a new epoch, with the results of the earlier one.
    first.submit(StartEpoch(reason="put back", least=2, utc_ns=T0)).result(10)
    first.close()
    for table in ("results", "keys"):
        query(f"DELETE FROM lab.{table} WHERE stream = 'bench-1' AND sequence = 7 RETURNING 1")  # noqa: S608 - ours
    query("UPDATE lab.streams SET looked = 0 RETURNING 1")
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as second:
        measure(second, 2)
        async with publishing(second, broker), collecting(worker_settings(broker, database, "a")):
            await until(query, "SELECT count(*), count(DISTINCT id) FROM lab.results", [(17, 17)])
    assert query("SELECT event FROM lab.results WHERE stream = 'bench-1' AND sequence = 7") == [(sent,)]
    assert query("SELECT epoch, count(*) FROM lab.results r JOIN lab.sources s ON s.no = r.source GROUP BY 1 ORDER BY 1") == [
        (1, 15), (2, 2),
    ]  # fmt: skip
