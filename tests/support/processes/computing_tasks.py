"""Tasks for the process for computations that show where they are carried out, never end, or end their process."""

import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from daq.app.daemon.computing.tasks import Queue, Task
from daq.core.errors import StoreError


@dataclass(frozen=True)
class OwnPid(Task):
    """Return the id of the process, after `seconds` of computing."""

    seconds: float = 0.0

    def carry_out(self, place):
        began = time.monotonic()
        while time.monotonic() < began + self.seconds:
            pass
        return os.getpid()


@dataclass(frozen=True)
class Endless(Task):
    """Write the id of the process into a file, and compute for ever."""

    file: Path
    queue: ClassVar[Queue] = "journal"

    def carry_out(self, place):
        self.file.write_text(str(os.getpid()))
        while True:
            pass


@dataclass(frozen=True)
class Fails(Task):
    """Raise an error of the project, or another one."""

    software: bool = False

    def carry_out(self, place):
        if self.software:
            raise ZeroDivisionError("a fault of the software, caused by a test")
        raise StoreError("this cannot be computed")


@dataclass(frozen=True)
class EndsItsProcess(Task):
    """Kill the process, unless it is `spared`; then return its id.  `file` gets a character for each time."""

    file: Path
    spared: int

    def carry_out(self, place):
        with self.file.open("a") as file:
            file.write("x")
        if os.getpid() != self.spared:
            os.kill(os.getpid(), signal.SIGKILL)
        return os.getpid()


class EndsItsProcessWhole(EndsItsProcess):
    """The same as a task that computes a whole journal."""

    queue: ClassVar[Queue] = "journal"
