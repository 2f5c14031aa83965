"""The barest asyncio program that polls a fleet: it writes a request at each phase, and splits and counts the replies.

``python -m tests.bench.fleet_bare FOLDER HERTZ SECONDS`` reads from its standard input a time (monotonic, ns) at which each
instrument was read, by its name, and prints its own CPU in cores.
"""

import asyncio
import json
import os
import sys
import time
import tty
from pathlib import Path
from typing import Final

from tests.support.instruments.described import line

READ: Final = line("read")
LEAD_S: Final = 1.0
"""Time in seconds from the first poll to the beginning of the measurement."""


class Unit:
    """One instrument: its line, the bytes of a reply that is not whole, and the last values."""

    def __init__(self, path: Path, loop: asyncio.AbstractEventLoop) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self.fd)
        self.count = 0
        self.values = (0.0, 0.0, 0.0)
        self._rest = b""
        self._loop = loop
        loop.add_reader(self.fd, self._received)

    def poll(self, due: float, interval: float) -> None:
        """Send a request, and the next one an interval (s) after the time this one was due (s)."""
        os.write(self.fd, READ)
        self._loop.call_at(due + interval, self.poll, due + interval, interval)

    def _received(self) -> None:
        *lines, self._rest = (self._rest + os.read(self.fd, 4096)).split(b"\r\n")
        for reply in lines:
            parts = reply.split()
            if len(parts) == 5:  # not the answer to the last command of the daemon before
                self.values = float(parts[1]), float(parts[2]), float(parts[3])
                self.count += 1


async def poll(folder: Path, read_ns: dict[str, int], hertz: float, seconds: float) -> float:
    """Poll each instrument at the phase of a time at which it was read; return the CPU (cores) of this process."""
    loop = asyncio.get_running_loop()
    units = [Unit(folder / name, loop) for name in read_ns]
    interval, now = 1 / hertz, loop.time()
    for unit, moment in zip(units, read_ns.values(), strict=True):
        due = now + (moment / 1e9 - now) % interval
        loop.call_at(due, unit.poll, due, interval)
    await asyncio.sleep(LEAD_S)
    before = sum(unit.count for unit in units)
    began, cpu = time.monotonic(), time.process_time()
    await asyncio.sleep(seconds)
    share = (time.process_time() - cpu) / (time.monotonic() - began)
    read = sum(unit.count for unit in units) - before
    if read < 0.9 * len(units) * hertz * seconds:
        raise RuntimeError(f"only {read} replies in {seconds:g} s: the machine is too busy")
    return share


if __name__ == "__main__":
    print(asyncio.run(poll(Path(sys.argv[1]), json.load(sys.stdin), float(sys.argv[2]), float(sys.argv[3]))))
