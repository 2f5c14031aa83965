"""The daemon's command line with the clock of the simulators and switches for faults: `python -m tests.support.processes.daemon_entry SWITCHES -- COMMAND`.

Everything else is the code that `python -m daq` runs; only the clock's class and the supervisor's hook are replaced.
"""

import argparse
import contextlib
import functools
import sys
from collections.abc import Callable
from pathlib import Path

from daq.adapters.clock import ScaledClock
from daq.app.daemon.supervisor import Supervisor
from daq.core.driver import Decoded, Request
from daq.descriptions.driver import DescribedDriver


class ShiftedClock(ScaledClock):
    """The scaled clock with its time of day shifted by the number of nanoseconds in a file, if the file exists."""

    def __init__(self, scale: float, shift: Path | None = None) -> None:
        super().__init__(scale)
        self._shift = shift

    def utc_ns(self) -> int:
        shift = 0
        if self._shift is not None:
            with contextlib.suppress(FileNotFoundError, ValueError):
                shift = int(self._shift.read_text())
        return super().utc_ns() + shift


class FullDisk:
    """A hook between the store's statements: while the file exists, the database cannot grow by a page."""

    def __init__(self, switch: Path) -> None:
        self._switch = switch
        self._full = False
        self.supervisor: Supervisor | None = None

    def __call__(self, point: str) -> None:
        full = self._switch.exists()
        if self.supervisor is None or not point.endswith(".begin") or full == self._full:
            return
        self._full = full
        connection = self.supervisor.store._connection
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count = {pages if full else 2**31}")


def break_driver(switch: Path) -> None:
    """Make the driver of the rotational instrument fail at every line while the file exists."""
    decode = DescribedDriver.decode

    def fail(self: DescribedDriver, line: bytes, asked: Request | None = None) -> Decoded:
        if switch.exists() and self.kind == "rotational":
            raise ZeroDivisionError("a driver's fault, caused by a test")
        return decode(self, line, asked)

    DescribedDriver.decode = fail  # type: ignore[method-assign]


def main(
    argv: list[str], *, hook: Callable[[str], None] | None = None, clock: Callable[[float], ScaledClock] | None = None
) -> int:
    """Run a daq command with the switches before ``--``; return its exit code."""
    here = argv.index("--")
    switches = _parser().parse_args(argv[:here])
    from daq.app.cli import main as daq_main
    from daq.app.cli.measuring import run_alone, serve

    if switches.driver_fault:
        break_driver(switches.driver_fault)
    full = FullDisk(switches.full_disk) if switches.full_disk else None
    make_clock = clock or functools.partial(ShiftedClock, shift=switches.utc_shift)

    def make_supervisor(*args: object, **options: object) -> Supervisor:
        supervisor = Supervisor(*args, crash_hook=full or hook, **options)  # type: ignore[arg-type]
        if full is not None:
            full.supervisor = supervisor
        return supervisor

    for command in (serve, run_alone):
        command.SystemClock = functools.partial(make_clock, switches.scale)  # type: ignore[attr-defined]
        command.Supervisor = make_supervisor  # type: ignore[attr-defined]
    return daq_main(argv[here + 1 :])


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.support.processes.daemon_entry")
    parser.add_argument("--scale", type=float, default=20.0)
    parser.add_argument("--utc-shift", type=Path, default=None, help="file with the shift of UTC in nanoseconds")
    parser.add_argument("--full-disk", type=Path, default=None, help="while this file exists, the database cannot grow")
    parser.add_argument("--driver-fault", type=Path, default=None, help="while this file exists, a driver fails")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
