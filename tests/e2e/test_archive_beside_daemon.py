"""`daq archive` beside a running daemon: journals leave the database, a run goes on, and everything is still shown."""

import json
import re
from pathlib import Path

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.archiving.checking import check_archive
from daq.app.records.archiving import recorded_archives
from tests.support.processes.laboratory import Daemon
from tests.support.runs.virtual_bench import SteppedClock, StoredBench

pytestmark = [pytest.mark.slow, pytest.mark.timeout(360)]
YEARS_NS = 3 * 366 * 86_400 * 10**9


class EarlierClock(SteppedClock):
    """A clock of three years before: its runs may be archived."""

    def utc_ns(self):
        return super().utc_ns() - YEARS_NS


def test_journals_are_archived_while_the_daemon_measures(lab, tmp_path):
    bench = StoredBench(lab.state, clock=EarlierClock())
    old = [bench.measure(f"G-{n}") for n in range(3)]
    with (lab.config / "daemon.toml").open("a", encoding="utf-8") as file:
        file.write('\n[retention]\njournals = "2 years"\n')
    medium = tmp_path / "medium"
    medium.mkdir()
    made = lab.daq("report", old[0], "-o", str(tmp_path / "record.pdf"))
    assert made.returncode == 0, made.stderr
    shown = json.loads(lab.daq("show", old[0], "--json").stdout)
    daemon = Daemon(lab)
    daemon.ready()
    going = daemon.run("long")
    done = lab.daq("archive", "--before", "2024-01-01", "--to", str(medium), "--same-medium", seconds=180)
    assert done.returncode == 0, done.stdout + done.stderr
    # The run began before and ends after: its journal stays.
    daemon.stop_run()
    going.until("outcome")
    assert re.search(r"archive: 3 journals of runs from 2022-11-\d\d to 2022-11-\d\d", done.stdout)
    with lab.reader() as reader:
        (archive,) = recorded_archives(reader)
        assert [r.run for r in archive.runs] == old
    given = ("--archive", str(Path(archive.folder) / archive.file))
    # The database shows the run as before, but for the journal; with the archive also its events.
    assert json.loads(lab.daq("show", old[0], "--json", *given).stdout) == shown | {
        "disagreements": [], "journal": shown["journal"],
    }  # fmt: skip
    traced = lab.daq("trace", str(tmp_path / "record.pdf"), "--json")
    assert traced.returncode == 0, traced.stdout + traced.stderr
    (raw,) = [r["raw"] for r in json.loads(traced.stdout)["results"]]
    assert (raw["bytes"], archive.id in raw["trouble"]) == (0, True)
    traced = lab.daq("trace", str(tmp_path / "record.pdf"), "--json", *given)
    (raw,) = [r["raw"] for r in json.loads(traced.stdout)["results"]]
    assert (raw["bytes"] > 1000, raw["trouble"]) == (True, None)
    assert daemon.stop() == 0
    assert [f for f in check_archive(Path(given[1]), database_path(lab.state)) if not f.ok] == []
    with lab.reader() as reader:
        (run,) = reader.runs(sample="S-1")
    assert (run.state, lab.daq("replay", run.id).returncode) == ("ended", 0)
    assert lab.daq("verify", *given).returncode == 0
    assert lab.daq("verify").returncode == 0
