"""`daq doctor` on installations with one fault each; ports are pseudo-terminals, the broker is real."""

import fcntl
import json
import os
import pty
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest

from daq.adapters.paths import StateLock, database_path
from daq.adapters.store.agreement.everything import NEWEST_RUNS
from daq.app.workshop import diagnosis as doctor
from daq.app.workshop import ports
from daq.app.workshop.diagnosis import examine
from daq.methods.files.instrument import Instrument
from tests.support import sentences
from tests.support.runs.full_database import falsified, make_long_database

INSTRUMENT = """
name = "bench-1"
driver = "rotational"
port = "{port}"
"""


@contextmanager
def terminal():
    """Yield the device of a pseudo-terminal, open for the time of the context."""
    main, device = pty.openpty()
    try:
        yield os.ttyname(device), device
    finally:
        os.close(main)
        os.close(device)


@pytest.fixture
def bench(tmp_path):
    """Return a function that writes a configuration with one instrument on a port; `more` is added to daemon.toml."""

    def make(port, more=""):
        folder = tmp_path / "config"
        (folder / "instruments").mkdir(parents=True)
        (folder / "daemon.toml").write_text(more)
        (folder / "instruments" / "bench-1.toml").write_text(INSTRUMENT.format(port=port))
        return folder

    return make


def wrong(findings):
    return {f.what: f"{f.say} | {f.do}" for f in findings if not f.ok}


def good(findings):
    return {f.what: f.say for f in findings if f.ok}


def test_a_correct_installation(cli, shift, bench):
    with terminal() as (port, _):
        done = cli("--config", bench(port), "--state", shift.state, "doctor")
    assert done.returncode == 0, done.stdout
    assert "nothing wrong" in done.stdout
    for what in (
        "configuration",
        "drivers",
        "database file",
        "references",
        "agreement",
        "disk",
        "clock",
        "port of bench-1",
    ):
        assert f"ok     {what}: " in done.stdout


def test_as_json(cli, tmp_path, bench):
    done = cli("--config", bench("/dev/none-such"), "--state", tmp_path / "new", "doctor", "--json")
    assert done.returncode == 1
    found = [f for f in json.loads(done.stdout) if not f["ok"]]
    assert [f["what"] for f in found] == ["port of bench-1"]
    assert sentences.NO_SUCH_DEVICE in found[0]["say"]
    assert "plug in the cable" in found[0]["do"]
    assert not (tmp_path / "new").exists()


def test_a_wrong_configuration_and_wrong_options(tmp_path, bench):
    folder = bench("/dev/null")
    path = folder / "instruments" / "bench-1.toml"
    path.write_text(path.read_text() + "[options]\ninterval_ms = 1\n")
    (folder / "instruments" / "bench-2.toml").write_text("name = 1")
    found = wrong(examine(str(folder), str(tmp_path / "state")))
    assert "options.interval_ms" in found["instrument bench-1"]
    assert "bench-2.toml: " in found["configuration"]


def test_no_configuration(tmp_path):
    found = wrong(examine(str(tmp_path / "none"), str(tmp_path / "state")))
    assert "names a path that does not exist" in found["configuration"]


def test_a_state_directory_that_others_may_write(shift, bench):
    shift.state.chmod(0o777)
    with terminal() as (port, _):
        found = wrong(examine(str(bench(port)), str(shift.state)))
    assert found == {"state directory": f"others may write in {shift.state} (mode 777) | run: chmod go-w {shift.state}"}


def test_a_changed_audit_trail(shift, bench):
    with sqlite3.connect(database_path(shift.state)) as db:
        db.execute("DROP TRIGGER audit_no_update")
        db.execute("UPDATE audit SET who = 'somebody' WHERE seq = 3")
    with terminal() as (port, _):
        found = wrong(examine(str(bench(port)), str(shift.state)))
    assert "audit 3, hash: " in found["table audit"]


def test_a_file_that_is_not_a_database(shift, bench):
    database_path(shift.state).write_bytes(b"nothing of the kind" * 100)
    with terminal() as (port, _):
        found = wrong(examine(str(bench(port)), str(shift.state)))
    assert "not a database" in found["database"]


# ---- clock


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        (0, "it shows 1970-01-01 00:00:00: it was never set"),
        (1_763_900_000 * 10**9, "the clock was set back"),
    ],
)
def test_a_wrong_clock(shift, bench, now, expected):
    with terminal() as (port, _):
        found = wrong(examine(str(bench(port)), str(shift.state), now_ns=now))
    assert expected in found["clock"]
    assert "timedatectl" in found["clock"]


def test_a_clock_without_time_server(tmp_path, bench, monkeypatch):
    monkeypatch.setattr(doctor, "TIMESYNC", tmp_path)
    with terminal() as (port, _):
        folder = str(bench(port))
        assert "not synchronised" in wrong(examine(folder, str(tmp_path / "state")))["clock"]
        (tmp_path / "synchronized").write_text("")
        assert "clock" in good(examine(folder, str(tmp_path / "state")))


# ---- ports


def instrument(port):
    return Instrument(name="bench-1", driver="rotational", port=port)


def test_a_free_port():
    with terminal() as (port, _):
        found = ports.check_port(instrument(port))
    assert found.ok
    assert "exists and is free" in found.say


HOLDER = """
import fcntl, os, sys
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
fcntl.flock(fd, fcntl.LOCK_EX)
print("held", flush=True)
sys.stdin.read()
"""


def test_a_port_held_by_another_program_is_reported_with_that_program():
    with (
        terminal() as (port, _),
        subprocess.Popen(
            [sys.executable, "-c", HOLDER, port], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as process,
    ):
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == "held\n"
        found = ports.check_port(instrument(port))
        by_daemon = ports.check_port(instrument(port), daemon=process.pid)
        process.stdin.close()
    assert not found.ok
    assert f"is held by process {process.pid} (python" in found.say
    assert by_daemon.ok
    assert f"held by the daemon (process {process.pid})" in by_daemon.say


def test_a_port_locked_by_this_process():
    with terminal() as (port, device):
        fcntl.flock(device, fcntl.LOCK_EX)
        assert not ports.check_port(instrument(port)).ok


def test_a_port_without_permission(tmp_path, monkeypatch):
    path = tmp_path / "port"
    path.write_text("")

    def refused(*_args):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(ports.os, "open", refused)
    found = ports.check_port(instrument(str(path)))
    assert not found.ok
    assert "may not open it" in found.say
    assert found.do.startswith(f"run: sudo usermod -aG {path.group()} ")


def test_ports_on_the_network():
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
        assert ports.check_port(instrument(f"socket://127.0.0.1:{number}")).ok
    found = ports.check_port(instrument(f"socket://127.0.0.1:{number}"))
    assert not found.ok
    assert "does not answer" in found.say
    assert ports.check_port(instrument("loop://")).say == "loop:// is not checked"


# ---- daemon and broker


def test_a_daemon_that_does_not_answer(shift, bench):
    with terminal() as (port, _), StateLock(shift.state):
        found = wrong(examine(str(bench(port)), str(shift.state)))
    assert f"process {os.getpid()} holds the state directory and does not answer" in found["daemon"]


def test_an_unreachable_broker(tmp_path, bench):
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with terminal() as (port, _):
        found = wrong(examine(str(bench(port, f'[mqtt]\nhost = "127.0.0.1"\nport = {number}')), str(tmp_path / "s")))
    assert f"127.0.0.1:{number}: " in found["broker"]
    assert "check that the broker runs" in found["broker"]


def test_a_missing_password(tmp_path, bench):
    more = '[mqtt]\nhost = "127.0.0.1"\nuser = "u"\npassword = { file = "/none/such" }'
    with terminal() as (port, _):
        found = wrong(examine(str(bench(port, more)), str(tmp_path / "s")))
    assert "mqtt.password: /none/such cannot be read" in found["broker"]


def test_a_broker_that_accepts_the_connection(tmp_path, bench):
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    (tmp_path / "mosquitto.conf").write_text(f"listener {number} 127.0.0.1\nallow_anonymous true\n")
    with subprocess.Popen(
        ["mosquitto", "-c", str(tmp_path / "mosquitto.conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as broker:
        try:
            wait_for_port(number)
            with terminal() as (port, _):
                found = good(
                    examine(str(bench(port, f'[mqtt]\nhost = "127.0.0.1"\nport = {number}')), str(tmp_path / "s"))
                )
        finally:
            broker.terminate()
    assert found["broker"] == f"127.0.0.1:{number} accepts the connection"


def wait_for_port(number):
    deadline = time.monotonic() + 10
    while True:
        try:
            socket.create_connection(("127.0.0.1", number), 1).close()
        except OSError:
            assert time.monotonic() < deadline, "the broker does not listen"
            time.sleep(0.02)
        else:
            return


@pytest.mark.slow
def test_a_fault_in_an_old_run_is_found_where_all_runs_are_asked_for(cli, bench, tmp_path):
    state = tmp_path / "state"
    state.mkdir(mode=0o700)
    original = make_long_database(tmp_path / "long.sqlite", NEWEST_RUNS + 1)
    with falsified(original, database_path(state)) as db:
        db.execute("UPDATE runs SET lot = 'L9' WHERE id = 'run-0'")
    config = bench("/dev/no-port")
    quick, whole = (cli("--config", config, "--state", state, "doctor", *more).stdout for more in ((), ("--all",)))
    assert f"the newest {NEWEST_RUNS} runs" in quick
    assert "table runs" not in quick
    assert "WRONG  table runs: runs run-0, lot: 'L9' here, 'L7' in audit entry" in whole
