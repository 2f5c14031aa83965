"""A database with a row of every table, as a daemon writes it, and falsifications of it."""

import contextlib
import json
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path
from daq.adapters.store.access import Access
from daq.adapters.store.declared import DECLARED
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.outgoing.delivery import Acknowledge, NoteSession, Refused
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.rows import AuditPoint, Outgoing
from daq.adapters.store.store import Store, open_writer
from daq.adapters.store.transactions import Audit, NoteHealth, SeeInstrument
from tests.support.runs import stored
from tests.support.runs.virtual_bench import StoredBench

TOPICS = Topics("lab", "bench")


def make_full_database(state: Path) -> Path:
    """Measure three runs into a state directory, correct one, deliver a part, and return the database."""
    bench = StoredBench(state, topics=TOPICS)
    runs = [bench.measure("G-1041"), bench.measure("G-1042", lot="L7", fill="2"), bench.measure("G-1043")]
    path = database_path(state)
    now = bench.clock.utc_ns()
    with Store(path) as store:
        do = lambda step: store.submit(step).result(20)  # noqa: E731
        do(SeeInstrument("bench-1", "rotational", "R-1042", now))
        with store.reader() as reader:
            results = [reader.results(run)[0] for run in runs]

        def build(sequence: int, head: AuditPoint, digest: str) -> tuple[str, list[Outgoing]]:
            superseded = {"source": store.source, "id": results[1].id}
            data = json.loads(results[1].data) | {"supersedes": superseded}
            data["sample"] |= {"lot": "L8"}
            data["origin"] |= {
                "audit_head": head.head,
                "audit_number": head.number,
                "audit_before": head.before,
                "audit_before_number": head.before_number,
                "journal_digest": digest,
            }
            text = json.dumps(data, sort_keys=True)
            event = json.dumps({"id": "fix", "source": store.source, "sequence": f"{sequence:012d}", "data": data})
            return text, [Outgoing(TOPICS.result("bench-1"), event.encode())]

        for run in runs:
            do(NoteHealth(run, "bench-1", now, {"zero": 0.1}))
        do(AddDerived(results[0].id, Outgoing(TOPICS.curve("bench-1"), b'{"data": 1}', id="curve"), now))
        with store.reader() as reader:
            record = reader.run_as_started(runs[1])
        declared = {name: getattr(record, name) for name in DECLARED} | {"lot": "L8"}
        declared |= {"id": runs[1], "result": "fix", "supersedes": results[1].id, "plan": None, "kept": None}
        declaration = Change("declaration", runs[1], "run_corrected", declared, [("lot", "L8")])
        do(Correct(results[1].id, "fix", "wrong lot", now, "m.keeper", build, (declaration,)))
        do(Acknowledge((1, 2, 3, 4), now))
        do(Refused(5, "Not authorized (code 135)", now))
        do(NoteSession("127.0.0.1:1883 bench", now, is_open=True))
        added = Change("sample", "G-1044", "sample_added", {"id": "G-1044", "lot": "7"}, [("lot", "7"), ("open", "3")])
        do(ChangeRecords((added,), now, "m.keeper"))
        changed = Change("sample", "G-1044", "sample_changed", {"id": "G-1044", "lot": "8"}, [("lot", "8")], after=1)
        do(ChangeRecords((changed,), now, "m.keeper", "a mistyped lot"))
        do(Audit(now, "daemon", "daemon_stopped", "daemon", {}))
    return path


def make_long_database(path: Path, runs: int) -> Path:
    """Store many small runs in one commit, and return the database."""
    Store(path, utc_ns=stored.T0).close()
    with contextlib.closing(open_writer(path)) as connection:
        (source,) = connection.execute("SELECT source FROM meta").fetchone()
        access = Access(connection, path, source=source, epoch=1, reserve_bytes=0, hook=None)
        connection.execute("BEGIN")
        stored.register().apply(access)
        first, second = stored.blocks(2)
        for number in range(runs):
            name = f"run-{number}"
            stored.begin(name).apply(access)
            stored.conclude(name, block=first, result_id=f"result-{number}").apply(access)
            stored.end(name, second).apply(access)
        connection.execute("COMMIT")
    return path


@contextlib.contextmanager
def falsified(original: Path, path: Path) -> Iterator[sqlite3.Connection]:
    """Copy a database to `path` and yield a connection to the copy without its triggers.

    The triggers are there again afterwards, as a falsifier would leave them.
    """
    shutil.copyfile(original, path)
    for suffix in ("-wal", "-shm"):
        Path(f"{path}{suffix}").unlink(missing_ok=True)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        triggers = db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            db.execute(f"DROP TRIGGER {name}")
        db.execute("PRAGMA ignore_check_constraints = ON")
        yield db
        for _, sql in triggers:
            db.execute(sql)
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def tables(path: Path) -> dict[str, list[str]]:
    """Return the columns of every table of a database, from its own definitions."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
        names = [n for n in names if not n.startswith("sqlite_")]
        return {n: [row[1] for row in db.execute(f'PRAGMA table_info("{n}")')] for n in names}
