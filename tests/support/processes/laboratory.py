"""A laboratory in a folder: simulators on pseudo-terminals, a configuration, a daemon as a process, a broker."""

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from binascii import crc_hqx
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import serial as serial_port

from daq.adapters.paths import database_path, examples_dir, socket_path
from daq.adapters.store.reading import Reader
from daq.app.daemon.protocol import PROTOCOL
from daq.core.events import ClockAnchor, Received, Sent
from daq.core.journal import read_records
from tests.support.processes.mosquitto import PASSWORD, Mosquitto

SCALE = 20.0
"""Simulated seconds per real second, for simulators and daemon."""

SERIALS = {"bench-1": "R-1042", "bench-2": "R-1043", "thermo-1": "T-0310"}

SHORT = """
id = "short"
version = "1"
title = "Twelve seconds at 12 per minute"
claim = "at_time"

[[steps]]
name = "reading"
speed = 12
settle = "1 rev"
stop = "12 s"
longest = "1 min"
keep = [{ at = "end", span = "5 s" }]
"""

MEDIUM = (
    SHORT.replace('"short"', '"medium"')
    .replace("Twelve seconds", "Two minutes")
    .replace('stop = "12 s"\nlongest = "1 min"', 'stop = "2 min"\nlongest = "3 min"')
    .replace('span = "5 s"', 'span = "110 s"')
)
"""Six real seconds: a fault that a test causes in the first turn lies in the run and in its span on a machine that stalls for seconds."""

LONG = SHORT.replace('"short"', '"long"').replace("Twelve seconds", "Fifteen minutes").replace(
    'stop = "12 s"\nlongest = "1 min"', 'stop = "15 min"\nlongest = "20 min"'
)  # fmt: skip


def eventually(condition: Callable[[], Any], seconds: float = 90.0, what: str = "it") -> Any:
    """Return the value of `condition` when it is true.

    Raises:
        AssertionError: it is not true within `seconds`.
    """
    end = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < end, f"{what} did not happen within {seconds:g} s"
        time.sleep(0.01)
    return found


class Simulator:
    """A simulated instrument as a separate process."""

    def __init__(
        self,
        folder: Path,
        name: str,
        kind: str,
        *options: str,
        scale: float = SCALE,
        program: tuple[str, ...] = ("simulators.host",),
    ) -> None:
        self.port = folder / f"{name}.tty"
        self._control = folder / f"{name}.control"
        command = [
            sys.executable, "-m", *program, kind, "--pty", str(self.port), "--control", str(self._control),
            "--time-scale", str(scale), *options,
        ]  # fmt: skip
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)

    def wait_ready(self) -> None:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line.startswith("ready"), line

    def tell(self, command: str) -> str:
        with socket.socket(socket.AF_UNIX) as s:
            s.settimeout(10)
            s.connect(str(self._control))
            s.sendall(command.encode() + b"\n")
            with s.makefile() as lines:
                answer = lines.readline().strip()
        assert not answer.startswith("error"), answer
        return answer

    def state(self) -> dict[str, Any]:
        return dict(json.loads(self.tell("state")))

    @property
    def turning(self) -> bool:
        state = self.state()
        return bool(state["running"]) or abs(state["speed_per_min"]) > 0.05

    def clear_faults(self, serial: str) -> None:
        """Remove all faults and connect the instrument again."""
        for command in ("slow 0", "silence 0", "probe ok", f"identity {serial}"):
            self.tell(command)
        if self.state()["kind"] == "rotational":
            self.tell("block off")
        self.tell("replug")

    def reset(self, serial: str) -> None:
        """Remove all faults and stop the motor.  No other process may have the port open."""
        self.clear_faults(serial)
        if self.state()["kind"] == "rotational" and self.turning:
            with serial_port.Serial(str(self.port), timeout=0.1) as port:
                port.write(b"halt#%04X\r\n" % crc_hqx(b"halt", 0))
                eventually(lambda: not self.turning, what="rest of the motor")

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)
        if self.process.stdout is not None:
            self.process.stdout.close()


class Simulators:
    """Two rotational instruments and a thermometer, each as a process."""

    def __init__(self, folder: Path, *, scale: float = SCALE) -> None:
        self.scale = scale
        fill = ("--fluid", "reference-b", "--geometry", "coaxial-15", "--temperature", "25")
        self.all = {
            name: Simulator(folder, name, kind, "--serial", serial, *options, scale=scale)
            for name, kind, serial, *options in (
                ("bench-1", "rotational", "R-1042", *fill, "--seed", "1"),
                ("bench-2", "rotational", "R-1043", *fill, "--seed", "2"),
                ("thermo-1", "thermometer", "T-0310", "--temperature", "25"),
            )
        }
        for simulator in self.all.values():
            simulator.wait_ready()

    def clear_faults(self) -> None:
        for name, serial in SERIALS.items():
            self.all[name].clear_faults(serial)

    def reset(self) -> None:
        for name, serial in SERIALS.items():
            self.all[name].reset(serial)

    def stop(self) -> None:
        for simulator in self.all.values():
            simulator.stop()


class Call:
    """A request to the control socket; its answers are read one by one."""

    def __init__(self, path: Path, message: dict[str, Any]) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(20)
        self._socket.connect(str(path))
        self._socket.sendall(json.dumps({"protocol": PROTOCOL} | message).encode() + b"\n")
        self._lines = self._socket.makefile("rb")
        self.seen: list[dict[str, Any]] = []

    def next(self) -> dict[str, Any]:
        line = self._lines.readline()
        assert line, f"the daemon closed the connection after {self.seen[-1:]}"
        answer: dict[str, Any] = json.loads(line)
        self.seen.append(answer)
        return answer

    def until(self, key: str, condition: Callable[[Any], Any] = lambda _: True, seconds: float = 90.0) -> Any:
        """Return the first answer under `key` for which the condition holds."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            answer = self.next()
            if key in answer and condition(answer[key]):
                return answer[key]
            assert "error" not in answer, answer["error"]
            assert not answer.get("done"), f"no {key!r} in {self.seen}"
        raise AssertionError(f"no {key!r} within {seconds:g} s; last {self.seen[-1:]}")

    def last(self, key: str) -> Any:
        """Return the first answer under `key` and close the connection."""
        found = self.until(key)
        self.close()
        return found

    def state(self, *states: str) -> dict[str, Any]:
        """Return the first view in one of these states."""
        return dict(self.until("view", lambda view: view["state"] in states))

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


class Daemon:
    """``daq serve`` as a separate process, with the clock of the simulators unless `real`."""

    def __init__(
        self,
        lab: "Lab",
        *switches: str,
        real: bool = False,
        env: dict[str, str] | None = None,
        wait: bool = True,
        page: bool = False,
    ) -> None:
        self._lab = lab
        self.log = lab.folder / f"daemon-{time.monotonic_ns()}.log"
        with self.log.open("wb") as out:
            self.process = subprocess.Popen(
                lab.command("serve", *(["--page"] if page else []), *switches, real=real),
                env=lab.env | (env or {}),
                stdout=out,
                stderr=out,
            )
        lab.processes.append(self.process)
        if wait:
            eventually(self._listens, what=f"listening of the daemon: {self.log}")

    def _listens(self) -> bool:
        assert self.process.poll() is None, self.log.read_text()
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as s:
            s.connect(str(socket_path(self._lab.state)))
            return True
        return False

    def ask(self, do: str, **values: Any) -> Call:
        call = Call(socket_path(self._lab.state), {"do": do, **values})
        self._lab.calls.append(call)
        return call

    def status(self) -> dict[str, Any]:
        return dict(self.ask("status").last("status"))

    def stop_run(self, instrument: str = "bench-1") -> None:
        assert self.ask("stop", instrument=instrument).last("stopped")

    def standing(self, instrument: str = "bench-1") -> dict[str, Any]:
        return dict(self.status()["instruments"][instrument])

    def ready(self, *names: str, seconds: float = 90.0) -> None:
        for name in names or self._lab.instruments:
            eventually(lambda name=name: self.standing(name)["state"] == "ready", seconds, f"{name} ready: {self.log}")

    def run(self, method: str = "short", instrument: str = "bench-1", sample: str = "S-1", **values: Any) -> Call:
        call = self.ask("run", method_id=method, instrument=instrument, sample=sample, **values)
        call.run_id = call.until("started")  # type: ignore[attr-defined]
        return call

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def stop(self) -> int:
        if self.process.poll() is None:
            self.process.terminate()
        return self.process.wait(30)

    def logged(self) -> str:
        return self.log.read_text()


class Lab:
    """One folder with configuration, state and processes.  Call `close` at the end."""

    def __init__(
        self, folder: Path, simulators: Simulators, *, benches: int = 1, companion: bool = False, marked: bool = True
    ) -> None:
        """Write the folder; with `marked` the files of the instruments say that they are simulated.

        Without it they are to the daemon what any instrument on a serial line is: bytes from another process.
        """
        self.folder, self.marked = folder, marked
        self.state = folder / "state"
        self.config = folder / "config"
        self.scale = simulators.scale
        self.processes: list[subprocess.Popen[Any]] = []
        self.calls: list[Call] = []
        self.broker: Mosquitto | None = None
        self.env = os.environ | {"DAQ_E2E_MQTT": PASSWORD, "PYTHONWARNINGS": "default"}
        self.state.mkdir(mode=0o700)
        shutil.copytree(examples_dir(), self.config)
        self.simulators = simulators.all
        self.bench, self.thermo = self.simulators["bench-1"], self.simulators["thermo-1"]
        self.instruments = [f"bench-{n}" for n in range(1, benches + 1)] + (["thermo-1"] if companion else [])
        self._write_config(benches, companion=companion)

    def _write_config(self, benches: int, *, companion: bool) -> None:
        (self.config / "methods" / "short.toml").write_text(SHORT)
        (self.config / "methods" / "medium.toml").write_text(MEDIUM)
        (self.config / "methods" / "long.toml").write_text(LONG)
        folder = self.config / "instruments"
        first = (folder / "bench-1.toml").read_text()
        alone = first.partition("[companions]")[0]
        for n in range(1, benches + 1):
            text = first if companion and n == 1 else alone
            text = text.replace("bench-1", f"bench-{n}").replace("R-1042", f"R-104{n + 1}")
            text = text.replace('fitted = "coaxial-12"', 'fitted = "coaxial-15"').replace("[options]", "[options]", 1)
            self._instrument(f"bench-{n}", text)
        self._instrument("thermo-1", (folder / "thermo-1.toml").read_text())
        if benches == 1:
            (folder / "bench-2.toml").unlink()
        self.write_daemon_file()

    def _instrument(self, name: str, text: str) -> None:
        text = re.sub(r"^port = .*$", f'port = "{self.simulators[name].port}"', text, flags=re.MULTILINE)
        if self.marked:
            text = re.sub(
                r"^(fitted = .*|driver = \"thermometer\")$", r"\1\nsimulated = true", text, flags=re.MULTILINE
            )
        (self.config / "instruments" / f"{name}.toml").write_text(text)

    def write_daemon_file(self) -> None:
        text = f'enable = {json.dumps(self.instruments)}\n[topic]\nenterprise = "works"\n'
        if self.broker is not None:
            text += f'[mqtt]\nhost = "127.0.0.1"\nport = {self.broker.port}\nuser = "daq"\n'
            text += 'password = { env = "DAQ_E2E_MQTT" }\n'
        (self.config / "daemon.toml").write_text(text)

    def start_broker(self, **options: str) -> Mosquitto:
        folder = self.folder / "broker"
        folder.mkdir()
        self.broker = Mosquitto(folder, **options).start()
        self.write_daemon_file()
        return self.broker

    def command(self, *words: str, real: bool = False) -> list[str]:
        """Return the command line of a daq command: the first word is the command, words with ``+`` are switches."""
        switches = [w.removeprefix("+") for w in words if w.startswith("+")]
        rest = [w for w in words if not w.startswith("+")]
        where = ["--config", str(self.config), "--state", str(self.state)]
        if real:
            return [sys.executable, "-m", "daq", *where, *rest]
        return [
            sys.executable, "-m", "tests.support.processes.daemon_entry", "--scale", str(self.scale), *switches, "--", *where, *rest,
        ]  # fmt: skip

    def daq(self, *words: str, seconds: float = 90.0) -> "subprocess.CompletedProcess[str]":
        """Run a command and wait for its end."""
        return subprocess.run(
            self.command(*words), env=self.env, capture_output=True, text=True, timeout=seconds, check=False
        )

    def start(self, *words: str) -> "subprocess.Popen[str]":
        """Start a command and leave it running."""
        process = subprocess.Popen(
            self.command(*words), env=self.env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        self.processes.append(process)
        return process

    @contextlib.contextmanager
    def reader(self) -> Iterator[Reader]:
        with Reader(database_path(self.state)) as reader:
            yield reader

    def audited(self) -> list[tuple[str, str]]:
        """Return the entries of the audit trail as (what, subject)."""
        with self.reader() as reader:
            return [(entry.what, entry.subject) for entry in reader.audit()]

    def result(self, run_id: str) -> dict[str, Any]:
        """Return the data of the only result of a run."""
        with self.reader() as reader:
            (result,) = reader.results(run_id)
            return dict(json.loads(result.data))

    def records(self, run_id: str) -> list[Any]:
        """Return the events of a run's journal."""
        with self.reader() as reader:
            raw = b"".join(block.raw for block in reader.journal(run_id))
        return [r.event for r in read_records(raw) if r.event is not None]

    def sent(self, run_id: str) -> list[bytes]:
        return [e.data for e in self.records(run_id) if isinstance(e, Sent)]

    def received(self, run_id: str, link: str = "bench-1") -> bytes:
        return b"".join(e.data for e in self.records(run_id) if isinstance(e, Received) and e.link == link)

    def anchors(self, run_id: str) -> list[ClockAnchor]:
        return [e for e in self.records(run_id) if isinstance(e, ClockAnchor)]

    def close(self) -> None:
        for call in self.calls:
            call.close()
        for process in self.processes:
            if process.poll() is None:
                process.kill()
                process.wait(10)
            if process.stdout is not None:
                process.stdout.close()
        if self.broker is not None:
            self.broker.stop()


def stored_blocks(lab: Lab, run_id: str) -> int:
    """Return the number of stored blocks of a run's journal."""
    with lab.reader() as reader:
        return len(list(reader.journal(run_id)))
