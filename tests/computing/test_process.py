"""The process for computations: where tasks are carried out, and how it starts and ends."""

import argparse
import asyncio
import fcntl
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import structlog

from daq.adapters.store.store import Store
from daq.app.cli.measuring import serve
from daq.app.daemon import post_run
from daq.app.daemon.computing import computing_process as daemons_end
from daq.app.daemon.computing.computations import Computations
from daq.app.daemon.computing.computing_process import EndedError, worker_command
from daq.app.daemon.post_run import PostRunTasks
from daq.core.errors import StoreError
from tests.support.processes.computing import LaterClock, computations, is_alive, until
from tests.support.processes.computing_tasks import Endless, EndsItsProcess, EndsItsProcessWhole, Fails, OwnPid

pytestmark = pytest.mark.slow  # processes; `computes_apart` is off unless a file switches it on

HERE = os.getpid()


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "daq.db") as made:
        yield made


@pytest.fixture(autouse=True)
def _starts_again_at_once(monkeypatch):
    monkeypatch.setattr(daemons_end, "AGAIN_S", 0.01)


def carry_out(made, *tasks):
    """Carry out tasks at the same time; return their values or errors."""

    async def all_of():
        return await asyncio.gather(*(made.carry_out(task) for task in tasks), return_exceptions=True)

    return asyncio.run(all_of())


def test_tasks_are_carried_out_in_one_other_process_of_lower_priority(store):
    with computations(store, worker_command(store.path, store.uuid)) as made:
        (first, second) = carry_out(made, OwnPid(), OwnPid())
        assert first == second == made.process.pid
        assert first != HERE
        assert os.getpriority(os.PRIO_PROCESS, first) == min(19, os.getpriority(os.PRIO_PROCESS, HERE) + 10)


def test_a_loop_goes_on_and_a_short_task_is_done_while_a_journal_is_computed(store, tmp_path):
    with computations(store) as made:

        async def beside():
            endless = asyncio.ensure_future(made.carry_out(Endless(tmp_path / "pid")))
            while not (tmp_path / "pid").exists():
                await asyncio.sleep(0.01)
            pid = await made.carry_out(OwnPid())
            assert not endless.done()
            return pid

        assert asyncio.run(beside()) == int((tmp_path / "pid").read_text()) == made.process.pid


def test_errors_come_back_as_they_are_and_a_fault_is_in_the_log_of_the_daemon(store):
    with structlog.testing.capture_logs() as logs, computations(store) as made:
        own, fault, pid = carry_out(made, Fails(), Fails(software=True), OwnPid())
    assert (type(own), str(own)) == (StoreError, "this cannot be computed")
    assert isinstance(fault, ZeroDivisionError)
    assert isinstance(pid, int)
    (line,) = [x for x in logs if x["event"] == "fault of the software"]
    assert (line["log_level"], line["task"]) == ("error", "Fails")
    assert "computing_tasks.py" in line["exception"]


def test_a_killed_process_is_replaced_and_its_tasks_are_done_again(store, tmp_path):
    with computations(store) as made:
        (before,) = carry_out(made, OwnPid())

        async def killed():
            work = asyncio.ensure_future(made.carry_out(OwnPid(0.5)))
            await asyncio.sleep(0.1)
            os.kill(before, signal.SIGKILL)
            return await work

        after = asyncio.run(killed())
        assert after == made.process.pid
        assert after not in (before, HERE)


def test_a_process_that_hangs_is_replaced_and_its_tasks_are_done_again(store, monkeypatch):
    monkeypatch.setattr(daemons_end, "WATCH_S", 0.02)
    with computations(store) as made:
        (before,) = carry_out(made, OwnPid())
        os.kill(before, signal.SIGSTOP)
        asked = made.process.ask(OwnPid(), 0)
        monkeypatch.setattr(daemons_end, "HANGS_S", 0.1)
        until(lambda: made.process.pid != before)
        monkeypatch.setattr(daemons_end, "HANGS_S", 60.0)  # the start of the next one may take its time
        assert asked.result(60) not in (before, HERE)


def test_no_result_waits_for_a_process_that_is_being_started(store, tmp_path):
    starting = [sys.executable, "-c", "import time; time.sleep(60)"]
    process = daemons_end.ComputingProcess(store, starting)
    made = Computations(store, None, LaterClock(), process)
    try:
        assert carry_out(made, OwnPid()) == [HERE]
        assert until(lambda: process.pid) != HERE
    finally:
        process.close()


@pytest.mark.parametrize("command", [["/no/such/program"], [sys.executable, "-c", "raise SystemExit(1)"]])
def test_where_it_cannot_be_started_tasks_are_carried_out_in_the_daemon(store, command):
    with computations(store, command) as made:
        assert carry_out(made, OwnPid()) == [HERE]
        until(lambda: made.process._given_up)
        assert carry_out(made, OwnPid()) == [HERE]


def test_a_process_of_another_version_is_not_used(store, monkeypatch):
    monkeypatch.setattr("daq.__version__", "0.0.1")
    with structlog.testing.capture_logs() as logs, computations(store) as made:
        assert carry_out(made, OwnPid()) == [HERE]
        assert not made.process.pid
    assert any("restart the daemon" in x.get("reason", "") for x in logs)


def test_a_task_that_ends_its_process_each_time_is_given_up_or_carried_out_in_the_daemon(store, tmp_path, monkeypatch):
    """A whole journal, which may have needed too much memory, must not be computed in the process that measures."""
    monkeypatch.setattr(daemons_end, "MOST_DEATHS", 2)
    with computations(store) as made:
        (short,) = carry_out(made, EndsItsProcess(tmp_path / "short", HERE))
        (whole,) = carry_out(made, EndsItsProcessWhole(tmp_path / "whole", HERE))
        until(made.process.answers)
        (after,) = carry_out(made, OwnPid())
    assert short == HERE
    assert (tmp_path / "short").read_text() == "x" * (daemons_end.MOST_DEATHS + 1)
    assert isinstance(whole, EndedError)
    assert (tmp_path / "whole").read_text() == "x" * daemons_end.MOST_DEATHS
    assert after != HERE


def test_it_ends_with_its_daemon_and_with_the_task_that_it_has(store, tmp_path, monkeypatch):
    monkeypatch.setattr(post_run, "FINISH_S", 0.05)

    async def ended():
        with computations(store) as made:
            tasks = PostRunTasks(store, dict, made, LaterClock(), None, lambda: None)
            work = tasks.tasks.start(made.carry_out(Endless(tmp_path / "pid")), "endless", ends=True)
            await asyncio.to_thread(until, lambda: (tmp_path / "pid").exists() and (tmp_path / "pid").read_text())
            await tasks.finish()
            later = await asyncio.gather(made.carry_out(OwnPid()), return_exceptions=True)
            return work.exception(), later[0]

    first, later = asyncio.run(ended())
    assert isinstance(first, EndedError)
    assert isinstance(later, EndedError), "no task is carried out in a daemon that ends"
    assert not is_alive(int((tmp_path / "pid").read_text()))


def test_signals_for_the_whole_group_do_not_end_it(store):
    """Ctrl-C and a stop by systemd reach every process; the daemon still needs this one then."""
    with computations(store) as made:
        (pid,) = carry_out(made, OwnPid())
        assert os.getpgid(pid) != os.getpgid(HERE)
        for number in (signal.SIGINT, signal.SIGTERM):
            os.kill(pid, number)
        assert carry_out(made, OwnPid()) == [pid]


def test_it_has_no_lock_and_no_port_of_the_daemon(store, tmp_path):
    port, line = os.openpty()
    lock = (tmp_path / "lock").open("w")
    fcntl.flock(lock, fcntl.LOCK_EX)
    for fd in (port, line, lock.fileno()):
        os.set_inheritable(fd, True)  # as a library may open it
    name = os.ttyname(line)
    with computations(store) as made:
        (pid,) = carry_out(made, OwnPid())
        files = [str(x.readlink()) for x in Path(f"/proc/{pid}/fd").iterdir()]
        assert not [x for x in files if x in (str(tmp_path / "lock"), name, "/dev/ptmx")]
        lock.close()
        with (tmp_path / "lock").open("w") as other:
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
    for fd in (port, line):
        os.close(fd)


PARENT = """
import asyncio, sys
from pathlib import Path
from daq.adapters.store.store import Store
from tests.support.processes.computing import computations
from tests.support.processes.computing_tasks import Endless
with Store(Path(sys.argv[1])) as store, computations(store) as made:
    asyncio.run(made.carry_out(Endless(Path(sys.argv[2]))))
"""


def test_a_daemon_that_is_killed_leaves_no_process_even_while_it_computes(tmp_path):
    parent = subprocess.Popen([sys.executable, "-c", PARENT, str(tmp_path / "daq.db"), str(tmp_path / "pid")])
    try:
        pid = int(until(lambda: (tmp_path / "pid").exists() and (tmp_path / "pid").read_text()))
        assert is_alive(pid)
    finally:
        parent.kill()
        parent.wait()
    until(lambda: not is_alive(pid))


@pytest.mark.parametrize(("text", "apart"), [("", False), ("computes_apart = true\n", True)])
def test_the_file_of_the_daemon_decides_whether_it_computes_in_a_process(tmp_path, monkeypatch, text, apart):
    given = {}

    def made(*_, **options):
        given.update(options)
        raise StoreError("this is enough")

    (tmp_path / "daemon.toml").write_text(text)
    monkeypatch.setattr(serve, "Supervisor", made)
    with pytest.raises(StoreError, match="enough"):
        serve.run(argparse.Namespace(config=str(tmp_path), state=str(tmp_path), only=[], page=False))
    assert given["computes_apart"] is apart
