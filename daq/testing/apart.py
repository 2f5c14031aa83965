"""Run the conformance kit in a child process, so that a driver that never returns or ends its process is a finding."""

import multiprocessing
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from daq.descriptions.capture import Capture
from daq.testing.case import Make
from daq.testing.conformance import check_driver
from daq.testing.report import Finding, Report

LONGEST_CHECK_S: Final = 600.0
"""Greatest time on the clock of one check, s; the slowest takes some seconds on a busy machine."""


def check_driver_apart(
    make: Make, *, capture: Capture | Path | None = None, longest_s: float = LONGEST_CHECK_S
) -> Report:
    """Run `check_driver` in a child process; a check that takes more than `longest_s` on the clock is killed.

    Where the system cannot fork, the kit runs in this process.

    Raises:
        SettingError: the capture's file cannot be read.
    """
    if "fork" not in multiprocessing.get_all_start_methods():
        return check_driver(make, capture=capture)
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_child, args=(theirs, make, capture))
    child.start()
    theirs.close()
    name = "contract"
    try:
        while ours.poll(longest_s):
            received = ours.recv()
            if isinstance(received, Report):
                return received
            if isinstance(received, Exception):
                raise received
            name = received
        why = f"was not finished after {longest_s:g} s: the driver waits or works without end"
    except EOFError:
        why = "ended the process of the kit: the driver called os._exit or crashed"
    finally:
        child.kill()
        child.join()
        ours.close()
    do = "a driver returns at once, for any bytes; only the exchange uses clocks, ports and processes"
    return Report("driver", [Finding(name, "failed", why, do=do)])


def _child(pipe: Connection, make: Make, capture: Capture | Path | None) -> None:
    send: Callable[[object], None] = pipe.send
    try:
        send(check_driver(make, capture=capture, started=send))
    except Exception as error:  # noqa: BLE001 - it is raised in the parent
        send(error)
