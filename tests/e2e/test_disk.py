"""The disk is full in the middle of a run."""

import contextlib
import json
import os
import subprocess
import time

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.checks import check_database
from tests.support.processes.laboratory import Daemon, eventually, stored_blocks

pytestmark = pytest.mark.slow


@pytest.fixture
def disk(lab, tmp_path):
    """(switches of the daemon, fill, free): a real small file system if the test can mount one, else SQLite's page limit."""
    mount = ["mount", "-t", "tmpfs", "-o", "size=70m,mode=0700", "tmpfs", str(lab.state)]
    if os.geteuid() or subprocess.run(mount, capture_output=True, check=False).returncode:
        switch = tmp_path / "full"
        yield ["+--full-disk", f"+{switch}"], switch.touch, switch.unlink
        return
    ballast = lab.state / "ballast"

    def fill():
        with ballast.open("wb") as file, contextlib.suppress(OSError):
            while True:
                os.write(file.fileno(), bytes(4096))

    try:
        yield [], fill, ballast.unlink
    finally:
        lab.close()
        subprocess.run(["umount", str(lab.state)], check=True)


def test_a_full_disk_stops_the_motor_loses_nothing_and_is_reported(lab, disk):
    switches, fill, free = disk
    daemon = Daemon(lab, *switches)
    daemon.ready()
    daemon.run(sample="before").until("outcome")
    call = daemon.run("long", sample="full")
    call.state("measuring")
    eventually(lambda: stored_blocks(lab, call.run_id), what="a stored block")
    fill()
    outcome = call.until("outcome")
    assert not lab.bench.turning
    assert outcome["motor"] == "still"
    assert outcome["outcome"] == "failed"
    assert "disk is full" in outcome["reason"]
    assert "disk is full" in outcome["fault"]

    refused = daemon.ask("run", method_id="short", instrument="bench-1", sample="after").next()
    assert "error" in refused
    assert "disk" in refused["error"]
    assert "free some space" in refused["error"]
    with lab.reader() as reader:  # everything committed is readable
        runs = {run.sample: run for run in reader.runs()}
        assert set(runs) == {"before", "full"}
        assert reader.results(runs["before"].id)
        assert list(reader.journal(call.run_id))

    free()
    eventually(lambda: lab_has_result(lab, call.run_id), 15, "the result, once there is space")
    result = lab.result(call.run_id)
    assert result["value"] is None
    # The journal is whole: blocks that could not be stored were kept and stored later.
    from daq.app.setup.drivers import Drivers
    from daq.core.replay import replay

    drivers = Drivers.find()
    with lab.reader() as reader:
        eventually(lambda: reader.run(call.run_id).state == "ended", what="the end of the run")
        raw = b"".join(block.raw for block in reader.journal(call.run_id))
        again = replay(raw, lambda kind, options, _state: drivers.make(kind, options))
        assert again.same, again.difference
        assert again.motor == reader.run(call.run_id).motor == "still"
        assert json.loads(reader.results(call.run_id)[0].data)["sample"]["id"] == "full"
    assert daemon.run(sample="again").until("outcome")["outcome"] == "complete"
    assert daemon.stop() == 0
    failures = [f for f in check_database(database_path(lab.state), utc_ns=time.time_ns()) if not f.ok]
    assert [f for f in failures if f.what != "disk"] == []


def lab_has_result(lab, run_id):
    with lab.reader() as reader:
        return reader.results(run_id)
