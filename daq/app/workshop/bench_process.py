"""A simulated instrument in a separate process, on a pseudo-terminal."""

import asyncio
import contextlib
import sys
from pathlib import Path
from typing import Self

from daq.core.errors import LinkError

READY_S = 20.0
"""Longest time in seconds until the process has opened its port."""


class BenchProcess:
    """Runs ``python -m simulators.host`` and sends commands to its control socket."""

    def __init__(self, kind: str, folder: Path, name: str, *options: str, time_scale: float = 1.0) -> None:
        self.port = folder / f"{name}.port"
        self._control = folder / f"{name}.control"
        self._arguments = (
            kind, "--pty", str(self.port), "--control", str(self._control), "--time-scale", repr(time_scale), *options,
        )  # fmt: skip
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        """Start the process and wait until its port is open.

        Raises:
            LinkError: the process did not start in time.
        """
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "simulators.host", *self._arguments, stdout=asyncio.subprocess.PIPE
        )
        out = self._process.stdout
        line = b""
        with contextlib.suppress(TimeoutError):
            line = await asyncio.wait_for(out.readline(), READY_S) if out is not None else b""
        if not line.startswith(b"ready"):
            await self.stop()
            raise LinkError(f"the simulated instrument on {self.port} did not start")

    async def send_command(self, command: str) -> str:
        """Send one command line (see `simulators.commands`) and return its answer.

        Raises:
            LinkError: the simulator refused the command.
        """
        reader, writer = await asyncio.open_unix_connection(str(self._control))
        try:
            writer.write(command.encode() + b"\n")
            answer = (await reader.readline()).decode().strip()
        finally:
            writer.close()
        if answer.startswith("error"):
            raise LinkError(f"simulator: {answer}")
        return answer

    async def stop(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is not None and process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.terminate()
            await process.wait()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()
