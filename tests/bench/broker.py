"""A separate Mosquitto on a loopback port."""

import asyncio
import contextlib
import shutil
import socket
from pathlib import Path
from typing import Self


class Mosquitto:
    """A broker with its files in a folder; it accepts anonymous clients, on 127.0.0.1 only."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._folder = folder
        self._process: asyncio.subprocess.Process | None = None

    async def __aenter__(self) -> Self:
        config = self._folder / "mosquitto.conf"
        config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        binary = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin") or "mosquitto"
        self._process = await asyncio.create_subprocess_exec(
            binary, "-c", str(config), stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL
        )
        for _ in range(200):
            with contextlib.suppress(OSError):
                _, writer = await asyncio.open_connection("127.0.0.1", self.port)
                writer.close()
                return self
            await asyncio.sleep(0.02)
        raise RuntimeError("mosquitto did not start")

    async def __aexit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.terminate()
            await self._process.wait()


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port: int = s.getsockname()[1]
        return port
