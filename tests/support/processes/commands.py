"""`daq` commands, each in a separate process that is forked from one which has imported everything.

A command takes about 50 ms in this way; with a new interpreter it takes a second.  `python -m tests.support.processes.commands`
is the process that forks: it reads one order per line and answers with one exit code per line.
"""

import gc
import importlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from daq.app.cli import COMMANDS, main
from daq.app.setup.drivers import Drivers

LONGEST_S = 60
INTERPRETER = ("PYTHON", "LANG", "LC_")
"""Environment variables with these prefixes take effect only in a new interpreter."""


class Commands:
    """Runner of commands; call `close` at the end."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process = subprocess.Popen(
            [sys.executable, "-m", __name__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(self, args: Sequence[str], env: Mapping[str, str]) -> "subprocess.CompletedProcess[str]":
        """Run ``daq ARGS`` under this environment; return exit code and output as `subprocess.run` does."""
        if any(env.get(k) != v for k, v in os.environ.items() if k.startswith(INTERPRETER)) or any(
            k.startswith(INTERPRETER) and k not in os.environ for k in env
        ):
            return subprocess.run(
                [sys.executable, "-m", "daq", *args],
                capture_output=True, text=True, encoding="utf-8", env=env, timeout=LONGEST_S, check=False,
            )  # fmt: skip
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        out, err = self._folder / "out", self._folder / "err"
        order = {"args": list(args), "env": dict(env), "cwd": str(Path.cwd()), "out": str(out), "err": str(err)}
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        code = int(self._process.stdout.readline())
        assert code != -signal.SIGALRM, f"daq {' '.join(args)} took longer than {LONGEST_S} s"
        return subprocess.CompletedProcess(list(args), code, out.read_text("utf-8"), err.read_text("utf-8"))

    def close(self) -> None:
        """Stop the process that forks."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(10)
        self._process.stdout.close()


def serve() -> int:
    """Fork a process for each order.  Return the command's exit code in the forked process, and 0 after the last order."""
    for _, _, module in COMMANDS:
        importlib.import_module(f"daq.app.cli.{module}")
    Drivers.find()
    for heavy in ("numpy", "scipy.optimize", "scipy.special", "scipy.integrate"):
        importlib.import_module(heavy)
    gc.freeze()  # a garbage collection in a child would copy all pages
    while line := sys.stdin.readline():
        order = json.loads(line)
        pid = os.fork()
        if pid == 0:
            return command(order)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)
    return 0


def command(order: Mapping[str, object]) -> int:
    """Run the command in this process, with the order's environment, folder and files for its output."""
    signal.alarm(LONGEST_S)
    os.environ.clear()
    os.environ.update(order["env"])  # type: ignore[call-overload]
    time.tzset()
    os.chdir(str(order["cwd"]))
    for fd, path, flags in (
        (0, os.devnull, os.O_RDONLY),
        (1, str(order["out"]), os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
        (2, str(order["err"]), os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
    ):
        os.dup2(os.open(path, flags, 0o600), fd)
    return main(order["args"])  # type: ignore[arg-type]


if __name__ == "__main__":
    sys.exit(serve())
