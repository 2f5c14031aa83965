"""The daemon as a process: signals, systemd, clock steps, a damaged database, real time."""

import fcntl
import os
import socket
import sqlite3
import time

import pytest
import serial

from daq.adapters.paths import database_path, holder
from daq.adapters.store.checks import check_database
from tests.support.processes.laboratory import Daemon, eventually

pytestmark = pytest.mark.slow


@pytest.fixture
def systemd(tmp_path):
    """A socket like systemd's (sd_notify(3)); yields a function that returns the received messages."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(str(path))
        s.setblocking(False)
        got = []

        def messages():
            while True:
                try:
                    got.append(s.recv(1000).decode())
                except BlockingIOError:
                    return got

        yield path, messages


def test_sigterm_stops_the_motor_and_stores_the_run(lab):
    daemon = Daemon(lab)
    daemon.ready()
    call = daemon.run("long")
    call.state("measuring")
    assert lab.bench.turning
    daemon.process.terminate()
    outcome = call.until("outcome")  # a waiting client still receives it
    assert (outcome["outcome"], outcome["motor"], outcome["fault"]) == ("stopped", "still", "")
    assert daemon.process.wait(20) == 0
    assert not lab.bench.turning
    with lab.reader() as reader:
        (run,) = reader.runs()
        assert (run.state, run.outcome, run.motor) == ("ended", "stopped", "still")
        assert len(reader.results(run.id)) == 1
        assert [e.what for e in reader.audit()][-1] == "daemon_stopped"
    assert holder(lab.state) is None
    serial.Serial(str(lab.bench.port), exclusive=True).close()
    assert [f for f in check_database(database_path(lab.state), utc_ns=time.time_ns()) if not f.ok] == []


def test_as_a_service_in_real_time(lab, systemd):
    """`python -m daq serve` without test switches sends READY, then WATCHDOG, then STOPPING."""
    path, messages = systemd
    daemon = Daemon(lab, real=True, env={"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": "600000"})
    eventually(lambda: "READY=1" in messages(), what="READY")
    daemon.ready()
    eventually(lambda: messages().count("WATCHDOG=1") >= 3, what="watchdog notifications")
    assert daemon.stop() == 0
    assert messages()[-1] == "STOPPING=1"


@pytest.mark.parametrize("part", ["ingest", "writer", "publisher"])
def test_the_watchdog_is_notified_only_while_every_part_makes_progress(part, monkeypatch, systemd):
    import asyncio

    from daq.app.daemon import process as app
    from tests.support.processes.mosquitto import eventually

    path, messages = systemd
    monkeypatch.setenv("NOTIFY_SOCKET", str(path))
    monkeypatch.setenv("WATCHDOG_USEC", "20000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)

    class Parts:
        stuck = ""

        def __init__(self):
            self.counts = dict.fromkeys(("ingest", "writer", "publisher"), 0)

        def probe_progress(self):
            for name in self.counts:
                self.counts[name] += name != self.stuck

        def progress(self):
            return dict(self.counts)

    async def watch():
        parts = Parts()
        parts.stuck = part
        task = asyncio.create_task(app._watchdog(parts))
        try:
            await eventually(lambda: sum(parts.counts.values()) >= 20)
            assert messages() == []
            parts.stuck = ""
            await eventually(messages)
            assert set(messages()) == {"WATCHDOG=1"}
        finally:
            task.cancel()

    asyncio.run(asyncio.wait_for(watch(), 20))


def test_a_daemon_that_hangs_does_not_notify_the_watchdog(lab, systemd):
    """The writer of a real daemon waits for a lock on its database: no notification until the lock is released."""
    path, messages = systemd
    daemon = Daemon(lab, env={"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": "400000"})
    eventually(lambda: messages().count("WATCHDOG=1") >= 2, what="watchdog notifications")
    with sqlite3.connect(database_path(lab.state), isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        eventually(lambda: "no progress" in daemon.logged(), what="the warning")
        before = messages().count("WATCHDOG=1")
        eventually(lambda: daemon.logged().count("no progress") >= 3, what="more warnings")
        assert messages().count("WATCHDOG=1") == before
        other.execute("ROLLBACK")
    other.close()
    eventually(lambda: messages().count("WATCHDOG=1") > before, what="a notification after the release")
    assert daemon.stop() == 0


def test_a_clock_step_gives_an_anchor_and_changes_no_value(lab, tmp_path):
    shift = tmp_path / "shift"
    daemon = Daemon(lab, "+--utc-shift", f"+{shift}")
    daemon.ready()
    call = daemon.run("long")
    call.state("measuring")
    shift.write_text(str(-3600 * 10**9))
    eventually(lambda: "clock step" in daemon.logged(), what="notice of the step")
    daemon.stop_run()
    call.until("outcome")
    anchors = lab.anchors(call.run_id)
    assert len(anchors) == 2
    stepped = (anchors[1].utc_ns - anchors[0].utc_ns) - (anchors[1].t - anchors[0].t)
    assert stepped == pytest.approx(-3600e9, abs=0.1e9)
    assert anchors[0].boot_id == anchors[1].boot_id
    # Without the second anchor the recorded events give the same effects: rules and values do not use UTC.
    from daq.app.setup.drivers import Drivers
    from daq.core.clocks import ClockFacts
    from daq.core.effects import Concluded, Moved
    from daq.core.events import ClockAnchor
    from daq.core.header import read_header
    from daq.core.replay import pipeline_of

    drivers = Drivers.find()
    with lab.reader() as reader:
        header = read_header(reader.run(call.run_id).header)
    events = lab.records(call.run_id)

    def effects(chosen):
        pipeline = pipeline_of(header, lambda kind, options, _state: drivers.make(kind, options))
        made = pipeline.step(chosen)
        for facts in [*(e.facts for e in made if isinstance(e, Concluded)), (last := pipeline.facts())]:
            facts.clock = ClockFacts()  # the result names the step
        return [repr(e) for e in made], last

    with_step, without = effects(events), effects([e for e in events if not isinstance(e, ClockAnchor)])
    assert with_step == without
    data = lab.result(call.run_id)
    assert data["origin"]["clock_step"] == pytest.approx(-3600.0, abs=0.1)
    assert data["origin"]["began"] < data["origin"]["ended"]
    assert "clock_stepped" in [w["code"] for w in data["warnings"]]
    assert any(Moved.__name__ in e for e in with_step[0])
    times = [e.t for e in events]
    assert times == sorted(times)


@pytest.mark.parametrize("damage", ["beginning", "inside"])
def test_a_damaged_database_is_reported_with_its_path_and_the_remedy(lab, damage):
    daemon = Daemon(lab)
    daemon.ready()
    call = daemon.run("short")
    call.until("outcome")
    assert daemon.stop() == 0
    path = database_path(lab.state)
    with path.open("r+b") as file:
        size = os.fstat(file.fileno()).st_size
        if damage == "beginning":
            file.write(b"\xa5" * 64)
        else:
            for page in range(1, size // 4096):
                file.seek(page * 4096)
                file.write(b"\xa5" * 4096)
    done = lab.daq("serve")
    assert done.returncode == 13, done.stderr
    assert "Traceback" not in done.stderr
    message = done.stderr.splitlines()[-1]
    assert str(path) in message
    assert "backup" in message
    assert not lab.bench.turning


def test_a_port_held_by_another_process_is_reported_and_opened_when_it_is_free(lab):
    with lab.bench.port.open("r+b", buffering=0) as port:
        fcntl.flock(port, fcntl.LOCK_EX)
        daemon = Daemon(lab)
        eventually(lambda: "another program holds this port" in daemon.standing()["detail"], what="the reason")
        assert str(lab.bench.port) in daemon.standing()["detail"]
    daemon.ready()


def test_a_fault_of_a_driver_ends_its_run_and_nothing_else(make_lab, tmp_path):
    lab = make_lab(companion=True)
    switch = tmp_path / "fault"
    daemon = Daemon(lab, "+--driver-fault", f"+{switch}")
    daemon.ready()
    call = daemon.run("long")
    call.state("measuring")
    switch.touch()
    outcome = call.until("outcome")
    assert (outcome["outcome"], outcome["motor"]) == ("failed", "may_still_be_turning")
    assert "caused by a test" in outcome["reason"]
    assert lab.result(call.run_id)["value"] is None
    eventually(lambda: "the driver failed" in daemon.standing()["detail"], what="the reason")
    assert daemon.standing("thermo-1")["state"] == "ready"
    switch.unlink()
    daemon.ready()
    assert not lab.bench.turning
    eventually(lambda: ("motor_stopped", "bench-1") in lab.audited(), what="entry in the audit trail")
    assert daemon.run().until("outcome")["outcome"] == "complete"
    with lab.reader() as reader:
        assert reader.unfinished_runs() == []
    assert daemon.stop() == 0
