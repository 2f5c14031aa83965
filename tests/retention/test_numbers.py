"""Sequence numbers come from a table of streams: a number is never given twice, whatever leaves the database."""

import random
import sqlite3

import pytest

from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.epochs import StartEpoch
from daq.adapters.store.outgoing.outbox_reading import last_sequences
from daq.adapters.store.store import Store
from tests.support.runs.full_database import falsified
from tests.support.runs.old_databases import from_dump
from tests.support.runs.stored import T0, begin, conclude, register


def concluded(store, run, stream):
    store.submit(begin(run, stream)).result()
    return store.submit(conclude(run, result_id=f"result-{run}", stream=stream)).result().sequence


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_no_number_is_given_twice_when_results_leave(tmp_path, seed):
    """Runs of several streams and epochs; between them, any of the stored results are removed."""
    rng, given, path = random.Random(seed), set(), tmp_path / "0.sqlite"
    with Store(path, utc_ns=T0) as store:
        store.submit(register()).result()
    for number in range(12):
        stream = rng.choice(["rotor-1", "rotor-2"])
        with Store(path) as store:
            if rng.random() < 0.15:
                store.submit(StartEpoch(reason="put back", least=1, utc_ns=T0)).result()
            key = (store.epoch, stream, concluded(store, f"run-{number}", stream))
            with store.reader() as reader:
                assert last_sequences(reader, store.epoch)[stream] == key[2]
        assert key not in given
        given.add(key)
        if rng.random() < 0.6:
            after = tmp_path / f"{number + 1}.sqlite"
            with falsified(path, after) as db:
                db.execute("DELETE FROM results WHERE random() % 2 = 0 OR id = ?", (f"result-run-{number}",))
            path = after


def test_numbers_go_on_after_the_update_of_an_older_database(tmp_path):
    path = from_dump(tmp_path / "daq.sqlite", "0005", 5)
    with Store(path) as store, store.reader() as reader:
        assert last_sequences(reader, 1) == {"rotor-1": 1}
        assert store.submit(conclude("old-b")).result().sequence == 2
    with Stored(path) as stored:
        assert [d.text for d in Comparison().of(stored) if d.table == "streams"] == []


def test_the_last_number_of_a_stream_only_grows(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        store.submit(register()).result()
        assert [concluded(store, f"run-{n}", "rotor-1") for n in range(3)] == [1, 2, 3]
    with sqlite3.connect(tmp_path / "daq.sqlite") as db:
        for sql in (
            "UPDATE streams SET last = 2",
            "UPDATE streams SET last = 3",
            "UPDATE streams SET last = 9, stream = 'x'",
            "UPDATE streams SET last = 9, epoch = 2",
            "DELETE FROM streams",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="only grows|never deleted"):
                db.execute(sql)
    db.close()
