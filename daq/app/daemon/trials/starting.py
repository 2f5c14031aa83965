"""The daemon's end of a trial: it starts the process, and ends it with the daemon."""

import contextlib
import os
import secrets
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from daq.app.daemon.trials.free_ports import free_device
from daq.app.daemon.trials.trial_file import CAPTURE_FILE, read_report, report_of, write_report
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import LinkError, SettingError, coded
from daq.laboratory.trials import DriverTrial

MODULE: Final = "daq.app.workshop.live_trial"
NO_CAPTURE: Final = "there are no lines of a trial; begin one at a port"
ANOTHER: Final = "another trial was started after this screen was made, with other lines; load the screen again"
GOES_ON: Final = "a trial goes on; wait for its end"


class TrialProcess:
    """One trial at a time, in a process of its own under the account of the daemon."""

    def __init__(self, state: Path, catalogue: Callable[[], Catalogue]) -> None:
        """`state` is the directory that gets the file with the findings; `catalogue` returns the configuration."""
        self._state, self._catalogue = state, catalogue
        self._turn = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, order: DriverTrial, utc_ns: int, audited: Callable[[str], None]) -> str:
        """Start a trial and return its id.  It waits for the disk, so it is called in a thread.

        `audited` stores the trial of an id in the audit trail: nothing is started that is not in it.

        Raises:
            SettingError: a trial goes on, or the port is not listed or has an instrument.
            LinkError: the file with the findings cannot be written, or the process cannot be started.
        """
        with self._turn:
            if self._process is not None and self._process.poll() is None:
                raise coded(SettingError(GOES_ON), "trial_goes_on")
            device = "" if order.captured else free_device(order.port, self._catalogue().instruments.values())
            if order.captured and not (self._state / CAPTURE_FILE).exists():
                raise coded(SettingError(NO_CAPTURE, key="captured"), "trial_without_capture")
            if order.captured and order.of and order.of != _newest(self._state, utc_ns):
                raise coded(SettingError(ANOTHER, key="of"), "trial_another")
            ident = secrets.token_hex(8)
            report = report_of(order, ident, utc_ns)
            audited(ident)
            try:
                write_report(self._state, report)
                self._process = process = subprocess.Popen(  # noqa: S603 - no shell, and no argument of a person
                    [sys.executable, "-m", MODULE, str(self._state), device],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    start_new_session=True,
                )
                assert process.stdin is not None  # noqa: S101 - it was asked for as a pipe
                with contextlib.suppress(BrokenPipeError), process.stdin:
                    process.stdin.write(order.model_dump_json().encode())
            except OSError as error:
                reason = f"the trial cannot be started: {error.strerror}"
                with contextlib.suppress(OSError):
                    write_report(self._state, report.model_copy(update={"stage": "failed", "reason": reason}))
                raise LinkError(reason) from None
            return ident

    def close(self) -> None:
        """End a trial with all of its processes."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def _newest(state: Path, utc_ns: int) -> str:
    """Return the id of the newest trial; "" before the first."""
    report = read_report(state, utc_ns)
    return "" if report is None else report.id
