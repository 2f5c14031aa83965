"""The process is killed between any two statements: each transaction is then complete or absent."""

import importlib
import pkgutil
import re
import subprocess
import sys
from functools import cache

import pytest

from daq.adapters import store
from daq.adapters.store.access import Transaction
from daq.adapters.store.archiving.removing import RemoveJournals
from daq.adapters.store.checks import check_database
from daq.adapters.store.epochs import EPOCH_STARTED
from daq.adapters.store.store import Store
from tests.store.crash_child import all_points, points_of, script
from tests.support.runs.stored import T0

POINTS = all_points()
REOPENING = points_of("begin 3")
"""All points of the start of a run that opens its sample again and withdraws a certificate."""
SWEPT_ELSEWHERE = {RemoveJournals: "tests/retention/test_archive_kills.py"}
"""It removes what a file of an archive holds, so it is killed with the work that makes the file."""


@pytest.fixture(scope="module")
def children():
    """One process that forks for each crash: it has no threads and has imported everything."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.store.crash_child"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        yield process
        process.stdin.close()


def crash(children, path, point, skip):
    report = path.with_name("confirmed")
    children.stdin.write(f"{path} {point} {skip} {report}\n")
    children.stdin.flush()
    return int(children.stdout.readline()), report.read_text().splitlines()


def contents(path):
    """Return everything in the file, times and blobs included."""
    with Store(path) as store, store.reader() as reader:
        tables = [row["name"] for row in reader.query("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        return {
            table: reader.query(f"SELECT * FROM {table} ORDER BY rowid")  # noqa: S608 - our own table names
            for table in tables
            if not table.startswith("_") and table != "meta"
        }


@pytest.fixture(scope="module")
def state_after(tmp_path_factory):
    """Return a function: the contents of a file after the first `count` transactions of the script, without a crash."""

    @cache
    def made(count):
        path = tmp_path_factory.mktemp("reference") / "daq.sqlite"
        with Store(path, utc_ns=T0) as store:
            for _, transaction in list(script())[:count]:
                store.submit(transaction).result(10)
        return without_hashes(contents(path))

    return made


def without_hashes(found):
    """Remove the hashes, which differ between two databases because their chains start with the identity."""
    hidden = ("hash", "previous", "audit_head", "payload", "data")
    out = {}
    for table, rows in found.items():
        keep = ("data",) if table == "journal" else ()
        out[table] = [{k: v for k, v in row.items() if k not in hidden or k in keep} for row in rows]
        for row in out[table]:
            if table == "audit":
                if row["what"] == EPOCH_STARTED:  # its subject is the identity of the database
                    row["subject"] = ""
                row["detail"] = re.sub(r'"(result_digest|digest|payload)":"[0-9a-f]{64}"', "", row["detail"])
    return out


def test_the_script_passes_every_kind_of_transaction():
    modules = [importlib.import_module(m.name) for m in pkgutil.walk_packages(store.__path__, f"{store.__name__}.")]
    found = {c for m in modules for c in vars(m).values() if isinstance(c, type) and issubclass(c, Transaction)}
    classes = found - {*SWEPT_ELSEWHERE}
    steps = [step for _, step in script()]
    # A run that the daemon begins is stored with its configuration; both are in the script.
    assert {type(step) for step in steps} == classes - {Transaction}
    assert {point.partition(".")[0] for point in POINTS} == {c.kind for c in classes - {Transaction}}
    # The records that follow from a result are stored in its transaction.
    follows = {type(step) for step in steps if getattr(step, "follow", None) is not None}
    assert follows == {c for c in classes if "follow" in getattr(c, "__dataclass_fields__", ())}


@pytest.mark.parametrize(
    "point", [pytest.param(p, marks=() if i % 3 == 0 else pytest.mark.slow) for i, p in enumerate(POINTS)]
)
def test_killed_at_any_point_nothing_is_half_done(tmp_path, children, state_after, point):
    killed(tmp_path / "daq.sqlite", children, state_after, point, min(1, POINTS[point] - 1))


@pytest.mark.parametrize(
    ("point", "skip"),
    [pytest.param(p, n, marks=() if i % 6 == 0 else pytest.mark.slow) for i, (p, n) in enumerate(REOPENING)],
)
def test_a_start_that_opens_its_sample_again_is_whole_or_absent(tmp_path, children, state_after, point, skip):
    confirmed = killed(tmp_path / "daq.sqlite", children, state_after, point, skip)
    assert (confirmed[-1], len(REOPENING) > 30) == ("back 3", True)


def killed(path, children, state_after, point, skip):
    """Kill the script at a point, compare what is stored, and continue; return the confirmed transactions."""
    code, confirmed = crash(children, path, point, skip)
    assert code == -9
    names = [name for name, _ in script()]
    assert confirmed == names[: len(confirmed)]
    # Every confirmed transaction is there.  After a kill between COMMIT and the answer there is one more.
    count = len(confirmed) + point.endswith(".committed")
    assert without_hashes(contents(path)) == state_after(count)
    assert faults(path) == []
    # The work continues from there.
    with Store(path) as store:
        for _, transaction in list(script())[count:]:
            store.submit(transaction).result(10)
        with store.reader() as reader:
            assert [r.id for r in reader.all_results()] == [f"result-{n}" for n in (1, 2, 3, 4)]
            assert reader.unfinished_runs() == []
    assert faults(path) == []
    return confirmed


def faults(path):
    return [f for f in check_database(path, utc_ns=T0) if not f.ok and f.what != "outbox"]
