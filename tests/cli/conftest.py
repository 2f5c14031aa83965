"""Fixtures: the command line in separate processes, with a home and a state directory for each test."""

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.processes.commands import Commands
from tests.support.runs.virtual_bench import StoredBench

HOSTILE = "=cmd|' /C calc'!A0"
COLOURED = "\x1b[31mred\x1b[0m"

Cli = Callable[..., subprocess.CompletedProcess[str]]


@dataclass(frozen=True)
class Shift:
    """Four runs: within, outside (with a hostile sample name), off range, stopped by a person."""

    state: Path
    within: str
    outside: str
    saturated: str
    stopped: str


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Shift:
    bench = StoredBench(tmp_path_factory.mktemp("shift") / "state")
    return Shift(
        bench.state,
        bench.measure("G-1041"),
        bench.measure(HOSTILE, "clear-glaze-thick", lot=COLOURED),
        bench.measure("G-1043", speed=100),
        bench.measure("G-1044", stop_after_s=45),
    )


@pytest.fixture
def shift(measured: Shift, tmp_path: Path) -> Shift:
    """A copy of the measured shift that the test may change."""
    state = tmp_path / "state"
    shutil.copytree(measured.state, state)
    return Shift(state, measured.within, measured.outside, measured.saturated, measured.stopped)


@pytest.fixture(scope="session")
def commands(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Commands]:
    started = Commands(tmp_path_factory.mktemp("commands"))
    yield started
    started.close()


@pytest.fixture
def cli(tmp_path: Path, commands: Commands) -> Cli:
    home = tmp_path / "home"
    home.mkdir()
    environment = {k: v for k, v in os.environ.items() if k not in ("DAQ_CONFIG", "STATE_DIRECTORY", "NO_COLOR")}
    environment |= {"HOME": str(home), "XDG_CONFIG_HOME": str(home / ".config"), "TZ": "UTC"}
    environment.pop("XDG_STATE_HOME", None)

    def run(*args: object, **more: str) -> subprocess.CompletedProcess[str]:
        return commands.run([*map(str, args)], environment | more)

    return run
