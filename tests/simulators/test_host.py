"""Simulators in processes of their own: real pseudo-terminals, TCP ports, control sockets and signals."""

import json
import os
import select
import signal
import socket
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest
import serial

from tests.simulators.lines import request, texts
from tests.support import sentences

ROOT = Path(__file__).parents[2]
WHO = "is rotational serial=R-1042 firmware=1.2 fs=1000.0"


class Running:
    """A simulator process with its control socket."""

    def __init__(self, folder, *arguments):
        command = [sys.executable, "-m", "simulators.host", *arguments, "--control", str(folder / "c")]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
        self.ready = self.process.stdout.readline().strip()
        self.control = socket.socket(socket.AF_UNIX)
        self.control.connect(str(folder / "c"))
        self._lines = self.control.makefile("r")

    def do(self, command):
        self.control.sendall(command.encode() + b"\n")
        return self._lines.readline().rstrip("\n")

    def state(self):
        return json.loads(self.do("state"))

    def close(self):
        self._lines.close()
        self.control.close()
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()


@pytest.fixture
def start(tmp_path):
    running = []

    def begin(*arguments):
        running.append(Running(tmp_path, *arguments))
        return running[-1]

    yield begin
    for one in running:
        one.close()


@pytest.fixture
def open_terminal():
    descriptors = []

    def begin(path):
        descriptors.append(os.open(path, os.O_RDWR | os.O_NOCTTY))
        return descriptors[-1]

    yield begin
    for descriptor in descriptors:
        os.close(descriptor)


def read_until(descriptor, enough, wait_s=5.0):
    """Bytes up to the first that satisfy `enough`; all that came when `wait_s` pass without any."""
    data = b""
    while not enough(data):
        if not select.select([descriptor], [], [], wait_s)[0]:
            break
        piece = os.read(descriptor, 4096)
        if not piece:
            break
        data += piece
    return data


def whole_line(data):
    return data.endswith(b"\r\n")


def ask(descriptor, text, wait_s=5.0):
    os.write(descriptor, request(text))
    return read_until(descriptor, whole_line, wait_s)


@pytest.fixture
def rotational(start, tmp_path):
    link = tmp_path / "bench"
    simulator = start("rotational", "--pty", str(link), "--fluid", "clear-glaze", "--time-scale", "20")
    assert simulator.ready == f"ready {link}"
    simulator.link = link
    return simulator


@pytest.mark.slow
def test_a_terminal_in_raw_mode_behind_a_link(rotational, open_terminal):
    terminal = open_terminal(rotational.link)
    local = termios.tcgetattr(terminal)[3]
    assert not local & (termios.ECHO | termios.ICANON | termios.ISIG)
    assert texts(ask(terminal, "who")) == [WHO]
    assert texts(ask(terminal, "speed 5") + ask(terminal, "turn")) == ["ok speed 5.000", "ok turn"]
    while rotational.state()["revolutions"] < 2.0:
        select.select([], [], [], 0.02)
    (answer,) = texts(ask(terminal, "read"))
    assert float(answer.split(" ")[1]) == pytest.approx(rotational.state()["torque_percent"], abs=2.0)


@pytest.mark.slow
def test_simulated_time_runs_at_the_scale(rotational):
    moments, seconds = [], []
    for _ in range(2):
        moments.append(time.monotonic())
        seconds.append(rotational.state()["time_s"])
        moments.append(time.monotonic())
        select.select([], [], [], 0.3)
    # The simulator looked at its clock between the moments beside each answer; its values refresh every 0.1 s.
    shortest, longest = moments[2] - moments[1], moments[3] - moments[0]
    assert 20.0 * shortest - 0.11 <= seconds[1] - seconds[0] <= 20.0 * longest + 0.11


@pytest.mark.slow
def test_a_new_host_does_not_get_what_the_last_one_left_unread(rotational, open_terminal):
    first = os.open(rotational.link, os.O_RDWR | os.O_NOCTTY)
    os.write(first, request("who"))
    assert select.select([first], [], [], 5.0)[0]
    os.close(first)
    # Each answer comes from a later turn of the simulator's loop, and each turn looks for a hang-up first.
    rotational.state()
    rotational.state()
    assert texts(ask(open_terminal(rotational.link), "halt")) == ["ok halt"]


def test_a_halt_written_just_before_the_port_is_closed_is_obeyed(rotational):
    terminal = os.open(rotational.link, os.O_RDWR | os.O_NOCTTY)
    ask(terminal, "speed 5")
    ask(terminal, "turn")
    os.write(terminal, request("halt"))
    os.close(terminal)
    deadline = time.monotonic() + 5.0
    while rotational.state()["running"] and time.monotonic() < deadline:
        select.select([], [], [], 0.02)
    assert rotational.state()["running"] is False


@pytest.mark.slow
def test_unplug_hangs_up_and_replug_comes_back_under_another_number(rotational, open_terminal):
    terminal = open_terminal(rotational.link)
    ask(terminal, "speed 5")
    ask(terminal, "turn")
    before = rotational.link.readlink()
    assert rotational.do("unplug") == "done"
    assert not os.path.lexists(rotational.link)
    assert os.read(terminal, 10) == b""
    with pytest.raises(OSError, match="Input/output error"):
        os.write(terminal, b"x")
    assert rotational.state()["running"] is True
    assert rotational.do("replug") == "done"
    assert rotational.link.readlink() != before
    (answer,) = texts(ask(open_terminal(rotational.link), "read"))
    assert answer.startswith("val ")
    deadline = time.monotonic() + 30.0
    while not rotational.state()["turning"] and time.monotonic() < deadline:
        select.select([], [], [], 0.02)
    assert rotational.state()["turning"] is True


@pytest.mark.slow
def test_replug_takes_another_number_also_when_the_old_one_is_free(rotational):
    for _ in range(3):
        before = rotational.link.readlink()
        assert (rotational.do("unplug"), rotational.do("unplug"), rotational.do("replug")) == ("done", "done", "done")
        assert rotational.link.readlink() != before


@pytest.mark.slow
def test_misbehaviour_on_a_real_terminal(rotational, open_terminal):
    terminal = open_terminal(rotational.link)
    whole = ask(terminal, "who")
    rotational.do("cut 1")
    os.write(terminal, request("who"))
    assert read_until(terminal, lambda data: len(data) >= len(whole) // 2) == whole[: len(whole) // 2]
    rotational.do("checksum 1")
    damaged = ask(terminal, "who")
    assert damaged != whole
    assert damaged[:-4] == whole[:-4] or damaged[:-3] == whole[:-3]
    rotational.do("garbage 20")
    assert len(read_until(terminal, lambda data: len(data) >= 20)) == 20
    rotational.do("slow 4")
    started = time.monotonic()
    assert ask(terminal, "who") == whole
    assert time.monotonic() - started >= 0.2
    rotational.do("slow 0")
    rotational.do("silence 40")
    began = rotational.state()["time_s"]
    assert ask(terminal, "who", wait_s=0.1) == b""
    while rotational.state()["time_s"] < began + 40.1:
        select.select([], [], [], 0.02)
    assert ask(terminal, "who") == whole
    rotational.do("identity R-9")
    assert texts(ask(terminal, "who")) == [WHO.replace("R-1042", "R-9")]
    rotational.do("probe open")
    rotational.do("key")
    rotational.do("block")
    assert ask(terminal, "read").split(b"#")[0].endswith(b" --- PKB")


@pytest.mark.slow
def test_a_thermometer_streams_and_nothing_old_waits_for_a_host(start, tmp_path, open_terminal):
    simulator = start("thermometer", "--pty", str(tmp_path / "t"), "--time-scale", "20", "--temperature", "18")
    while simulator.state()["time_s"] < 10.0:
        select.select([], [], [], 0.02)
    terminal = open_terminal(tmp_path / "t")
    assert not select.select([terminal], [], [], 0)[0]
    lines = read_until(terminal, lambda data: data.count(b"\r\n") >= 3).split(b"\r\n")
    assert all(line.startswith(b"T +1") and b" ok*" in line for line in lines[:3])
    os.write(terminal, b"id\r\n")
    answer = read_until(terminal, lambda data: b"I thermometer" in data and whole_line(data))
    assert b"I thermometer serial=T-0310 firmware=1.0*" in answer


@pytest.mark.slow
def test_a_serial_port_library_can_use_the_terminal(rotational):
    with serial.Serial(str(rotational.link), 115200, timeout=5) as port:
        port.write(request("who"))
        assert texts(port.readline()) == [WHO]
        rotational.do("unplug")
        with pytest.raises(serial.SerialException):
            port.read(1)


def receive_line(peer):
    data = b""
    while not whole_line(data):
        data += peer.recv(4096)
    return data


@pytest.mark.slow
def test_tcp_with_a_port_of_the_systems_choice(start):
    simulator = start("rotational", "--tcp", "127.0.0.1:0", "--seed", "4", "--serial", "R-7")
    word, kind, address = simulator.ready.split(" ")
    assert (word, kind) == ("ready", "tcp")
    host, _, port = address.partition(":")
    with socket.create_connection((host, int(port)), timeout=5) as peer:
        peer.sendall(request("who"))
        assert texts(receive_line(peer)) == [WHO.replace("R-1042", "R-7")]
        with socket.create_connection((host, int(port)), timeout=5) as newer:
            newer.sendall(request("halt"))
            assert texts(receive_line(newer)) == ["ok halt"]
            assert peer.recv(10) == b""
            assert simulator.do("unplug") == "done"
            assert newer.recv(10) == b""
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((host, int(port)), timeout=5)
        assert simulator.do("replug") == "done"
        with socket.create_connection((host, int(port)), timeout=5) as again:
            again.sendall(request("halt"))
            assert texts(receive_line(again)) == ["ok halt"]


@pytest.mark.slow
@pytest.mark.parametrize("way", ["quit", signal.SIGTERM, signal.SIGINT])
def test_it_ends_and_leaves_nothing_behind(rotational, tmp_path, way):
    if way == "quit":
        assert rotational.do("quit") == "done"
    else:
        rotational.process.send_signal(way)
    assert rotational.process.wait(5) == 0
    assert list(tmp_path.iterdir()) == []


def test_it_ends_with_its_parent(tmp_path):
    link = tmp_path / "orphan"
    parent = (
        "import subprocess, sys\n"
        f"child = subprocess.Popen([sys.executable, '-m', 'simulators.host', 'thermometer', '--pty', {str(link)!r}])\n"
        "sys.stdin.read()\n"
    )
    command = [sys.executable, "-c", parent]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stdout.readline() == f"ready {link}\n"
        process.stdin.close()
        # The pipe's end comes only when the simulator, which inherited it, has ended too.
        assert process.stdout.read() == ""
    assert not os.path.lexists(link)


@pytest.mark.slow
@pytest.mark.parametrize("connected", [False, True])
def test_it_does_not_burn_the_processor_while_idle(rotational, open_terminal, connected):
    if connected:
        ask(open_terminal(rotational.link), "who")

    def used_s():
        fields = Path(f"/proc/{rotational.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    before = used_s()
    select.select([], [], [], 1.0)
    assert used_s() - before < 0.15


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (
            ["thermometer", "--tcp", "127.0.0.1:0", "--fluid", "water"],
            "--fluid is for a rotational or streaming-rotational; leave it out for a thermometer",
        ),
        (["thermometer", "--tcp", "nowhere"], "--tcp needs HOST:PORT"),
        (["thermometer", "--tcp", "127.0.0.1:0", "--time-scale", "0"], "--time-scale must be above 0"),
        (["rotational", "--tcp", "127.0.0.1:0", "--temperature", "-274"], sentences.TEMPERATURE_OF_THE_SIMULATOR),
        (["rotational", "--tcp", "127.0.0.1:0", "--full-scale", "nan"], "--full-scale: must be above 0"),
        (["thermometer", "--pty", "precious"], "precious: exists and is not a symbolic link"),
        (["thermometer", "--tcp", "127.0.0.1:0", "--control", "precious"], "precious: exists and is not a socket"),
    ],
)
def test_wrong_arguments_are_named(tmp_path, arguments, complaint):
    (tmp_path / "precious").write_text("data")
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "simulators.host", *arguments]
    done = subprocess.run(
        command, capture_output=True, text=True, cwd=tmp_path, env=environment, timeout=30, check=False
    )
    assert done.returncode == 1
    assert complaint in done.stderr
    assert "Traceback" not in done.stderr
    assert (tmp_path / "precious").read_text() == "data"
