"""The bench of the demonstration that waits for a visitor: a simulated instrument, samples on its worklist, a page."""

import asyncio
import contextlib
import os
import socket
from collections.abc import Sequence
from typing import Final, Self

from daq.adapters.paths import examples_dir
from daq.app.daemon.supervisor import Supervisor
from daq.app.laboratory.acts import carry_out
from daq.core.errors import LinkError
from daq.process.logins import own_login
from daq.process.pagechild import end_page, page_command, page_environment

BENCH: Final = "bench-3"
INSTRUMENT: Final = (
    "streaming-rotational",
    BENCH,
    ("--geometry", "coaxial-12", "--fluid", "clear-glaze", "--seed", "14"),
)
"""Kind, name and options of its simulator; a glaze is in the cup already."""
SAMPLES: Final = tuple(f"G-{number}" for number in range(3001, 3013))
PRODUCT: Final = "clear-glaze"
LISTEN: Final = ("127.0.0.1", 8042)
START_S: Final = 120.0
"""Longest time in seconds until the page listens."""


def register_samples(supervisor: Supervisor) -> None:
    """Put samples on the worklist of the bench."""
    laboratory = supervisor.laboratory(own_login())
    for number, sample in enumerate(SAMPLES):
        order = {"id": sample, "product": PRODUCT, "lot": "L-118", "bench": BENCH, "priority": 3 if number < 2 else 5}
        carry_out(laboratory, "sample_add", order)


def address() -> str:
    """Return the usual address of a page; with port 0, a free one, where another program uses it."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(LISTEN)
        except OSError:
            return f"{LISTEN[0]}:0"
    return f"{LISTEN[0]}:{LISTEN[1]}"


class PageProcess:
    """A page beside a daemon in this process; a context manager.

    Attributes:
        says: the line that it prints when it listens: ``open http://...``.
        pairs: the same for the address that pairs the browser of the visitor with the bench.
    """

    def __init__(self, supervisor: Supervisor) -> None:
        """Nothing is started yet."""
        self._command: Sequence[str] = page_command(
            config=str(examples_dir()), state=str(supervisor.state), listen=address(), parent=os.getpid(), pair=BENCH
        )
        self._process: asyncio.subprocess.Process | None = None
        self.says = self.pairs = ""

    async def __aenter__(self) -> Self:
        """Start the page and wait until it listens; `LinkError` if it does not."""
        self._process = process = await asyncio.create_subprocess_exec(
            *self._command,
            "--log",
            "critical",
            stdout=asyncio.subprocess.PIPE,
            env=page_environment(),
            start_new_session=True,
        )
        lines = [b"", b""]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(START_S):
                if process.stdout is not None:
                    lines = [await process.stdout.readline() for _ in lines]
        self.says, self.pairs = (line.decode().strip() for line in lines)
        if not self.pairs:
            await self._end()
            raise LinkError("the page did not start")
        return self

    async def __aexit__(self, *_: object) -> None:
        """End the page."""
        await self._end()

    async def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            await end_page(process)
