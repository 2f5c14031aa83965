"""Idle and slow clients of the daemon's doors: a motor's stop is as immediate as without them."""

import contextlib
import resource
import socket
import time
import urllib.request
from pathlib import Path

import pytest

from daq.adapters.paths import socket_path
from tests.support.processes.laboratory import Daemon, eventually

LIMIT = 256
"""Greatest number of open files of the daemon in this test."""
IMMEDIATE_S = 1.0


@pytest.fixture
def port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def opened(number, connect, stack):
    """Open connections that send nothing, or half a request, and read nothing."""
    for i in range(number):
        client = stack.enter_context(socket.socket(socket.AF_UNIX if isinstance(connect, str) else socket.AF_INET))
        client.setblocking(False)
        with contextlib.suppress(OSError):  # a full queue of the system is part of the attack
            client.connect(connect)
        if i % 3 == 0:
            with contextlib.suppress(OSError):
                client.send(b"GET /metr")


@pytest.mark.slow
def test_hundreds_of_idle_clients_do_not_delay_the_stop_of_a_motor(lab, port):
    file = lab.config / "daemon.toml"
    file.write_text(file.read_text() + f'[metrics]\nlisten = "127.0.0.1:{port}"\n')
    daemon = Daemon(lab)
    resource.prlimit(daemon.process.pid, resource.RLIMIT_NOFILE, (LIMIT, LIMIT))
    daemon.ready()
    for _ in range(2):
        call = daemon.run("long")
        call.state("measuring")
        with contextlib.ExitStack() as stack:
            opened(400, ("127.0.0.1", port), stack)
            opened(300, str(socket_path(lab.state)), stack)
            time.sleep(0.5)
            assert len(list(Path(f"/proc/{daemon.process.pid}/fd").iterdir())) <= LIMIT // 2 + 80
            began_s = time.monotonic()
            daemon.stop_run()
            asked_s = time.monotonic() - began_s
            assert asked_s < IMMEDIATE_S
            eventually(lambda: not lab.bench.turning, what="rest of the motor")
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
                assert b"daq_build_info" in answer.read()
        assert call.until("outcome")["outcome"] == "stopped"
    lines = [line for line in daemon.logged().splitlines() if "connections are bounded" in line]
    assert sorted("metrics" if "metrics" in line else "control" for line in lines) == ["control", "metrics"], lines
    assert daemon.stop() == 0
