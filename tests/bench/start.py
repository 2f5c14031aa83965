"""Processor time of whole commands, of the daemon until it serves, and of imports.

``python -m tests.bench.start MODULE ...`` lists the imports that take longest in a process that imports a module.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from daq.adapters.paths import examples_dir, socket_path
from daq.core.errors import DaqError
from tests.bench.cpu import TIMES, best, used_by
from tests.bench.goals import Row
from tests.support.runs.virtual_bench import StoredBench

TO_THE_REQUEST: Final = """
import argparse, os
from daq.adapters.paths import examples_dir
from daq.app.cli.measuring import run

def asked(path, line):
    raise SystemExit

run.daemon_socket = lambda state: state
run.sent = asked
parser = argparse.ArgumentParser()
run.arguments(parser)
given = ["G-1042", "--instrument", "bench-1"]
run.run(parser.parse_args(given, argparse.Namespace(config=str(examples_dir()), state=".")))
"""
"""The part of `daq run` before the daemon is asked, for a sample that is registered."""
LONGEST: Final = 15
"""Number of imports that are listed for a module."""


def main() -> list[Row]:
    print(f"Start: processor time of whole processes, best of {TIMES}")
    with tempfile.TemporaryDirectory() as folder:
        state = Path(folder) / "state"
        StoredBench(state).measure("G-1")
        daq = ["-m", "daq", "--config", str(examples_dir()), "--state", str(state)]
        rows = [
            Row("daq --help", best(["-m", "daq", "--help"]), 0.06, "s"),
            # No daemon holds this state directory; with one the answer of the socket comes in addition.
            Row("daq stop", best([*daq, "stop", "bench-1"]), 0.10, "s"),
            Row("daq runs", best([*daq, "runs"]), 0.15, "s"),
            Row("daq run until the daemon is asked", best(["-c", TO_THE_REQUEST]), 0.20, "s"),
        ]
        print(f"  {'python -c pass':<45} {best(['-c', 'pass']):6.3f} s")
        for row in rows:
            print(f"  {row.what:<45} {row.now:6.3f} s")
        print(f"  {'daq show':<45} {best([*daq, 'show', 'last']):6.3f} s")
        for what, code in (
            ("import of the supervisor (what serve needs)", "import daq.app.daemon.supervisor"),
            ("import of the core", "import daq.core.pipeline"),
        ):
            print(f"  {what:<45} {best(['-c', code]):6.3f} s")
        print(f"  {'daemon of one bench until its socket is there':<45} {serving(Path(folder)):6.3f} s")
    return rows


def serving(folder: Path) -> float:
    """Return the processor time (s) of a daemon from its start until its socket answers, the least of several."""
    return min([_served(folder / f"daemon-{n}") for n in range(TIMES + 1)][1:])


def _served(state: Path) -> float:
    state.mkdir(mode=0o700)
    command = ["-m", "daq", "--config", str(examples_dir()), "--state", str(state), "serve", "--only", "bench-1"]
    installed = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    process = subprocess.Popen(
        [sys.executable, *command], env=installed, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        while not socket_path(state).exists():
            if process.poll() is not None:
                raise DaqError(f"the daemon ended with code {process.returncode} before it served")
            time.sleep(0.005)
        return used_by(process.pid)
    finally:
        process.terminate()
        process.wait()
        shutil.rmtree(state, ignore_errors=True)


def imports(module: str) -> list[tuple[float, str]]:
    """Return the time (ms) of each import, without those it causes, in a process that imports a module; longest first."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", f"import {module}"], capture_output=True, text=True, check=True
    )
    found = re.findall(r"import time:\s+(\d+) \|\s+\d+ \|\s+(\S+)", done.stderr)
    return sorted(((int(us) / 1000, name) for us, name in found), reverse=True)


def show_imports(modules: Sequence[str]) -> None:
    for module in modules:
        found = imports(module)
        print(f"{module}: {len(found)} imports, {sum(ms for ms, _ in found):.0f} ms; the longest:")
        for ms, name in found[:LONGEST]:
            print(f"  {ms:7.1f} ms  {name}")


if __name__ == "__main__":
    show_imports(sys.argv[1:]) if sys.argv[1:] else main()
