"""The daemon's end of the process that answers queries: one query at a time, each within a bound of time.

A process of its own, because a query takes the interpreter's lock and the disk, and no reading may wait for either.
"""

import asyncio
import contextlib
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import structlog

from daq.app.daemon.queries.answering import LARGEST_ANSWER, READY
from daq.core.errors import DaqError, LinkError, SettingError

log = structlog.get_logger()

LONGEST_S: Final = 10.0
"""Longest time in seconds for a query; after that its process is ended, and the next query starts another."""
START_S: Final = 60.0
"""Longest time in seconds for the start of the process."""
MOST_WAITING: Final = 32
"""Greatest number of queries that wait."""
TOO_MANY: Final = "too many queries wait; try again"
TOO_LONG: Final = "the query took too long and was ended; ask for less"
ENDED: Final = "the process that answers queries has ended; try again"


class QueryProcess:
    """Starts the process at the first query, and again after it has ended."""

    def __init__(self, database: Path, folder: Path, *, longest_s: float = LONGEST_S) -> None:
        """`database` and the configuration folder are read; `longest_s` is the bound of one query, s."""
        self._database, self._folder, self._longest_s = database, folder, longest_s
        self._process: asyncio.subprocess.Process | None = None
        self._turn = asyncio.Lock()
        self._waiting = 0

    async def ask(self, name: str, parameters: Mapping[str, Any]) -> dict[str, Any]:
        """Return the answer to a query.

        Raises:
            SettingError: the query is not known, or a parameter is wrong.
            LinkError: too many queries wait, the time is over, or the process has ended.
            DaqError: the query failed.
        """
        if self._waiting >= MOST_WAITING:
            raise LinkError(TOO_MANY)
        self._waiting += 1
        try:
            async with self._turn:
                line = await self._answer(json.dumps({"query": name, "parameters": dict(parameters)}).encode())
        finally:
            self._waiting -= 1
        found: dict[str, Any] = json.loads(line)
        if "error" in found:
            raise (SettingError if found["kind"] == "setting" else DaqError)(found["error"])
        answer: dict[str, Any] = found["answer"]
        return answer

    async def warm(self) -> None:
        """Start the process before the first query, which then waits less."""
        async with self._turn:
            with contextlib.suppress(OSError, TimeoutError):
                await self._started()

    async def _answer(self, asked: bytes) -> bytes:
        try:
            process = await self._started()
            async with asyncio.timeout(self._longest_s):
                # Both were asked for as pipes.
                assert process.stdin is not None  # noqa: S101
                assert process.stdout is not None  # noqa: S101
                process.stdin.write(asked + b"\n")
                await process.stdin.drain()
                line = await process.stdout.readline()
        except TimeoutError:
            log.warning("query ended", reason="it took too long")
            await self.close()
            raise LinkError(TOO_LONG) from None
        except OSError:
            await self.close()
            raise LinkError(ENDED) from None
        except BaseException:
            # The answer would be taken for that of the next query.
            await self.close()
            raise
        if not line.endswith(b"\n"):
            await self.close()
            raise LinkError(ENDED)
        return line

    async def _started(self) -> asyncio.subprocess.Process:
        if self._process is None or self._process.returncode is not None:
            self._process = process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "daq.app.daemon.queries.answering",
                str(self._database),
                str(self._folder),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                limit=LARGEST_ANSWER + 1024,
                start_new_session=True,  # Ctrl-C on the daemon's terminal ends it by the end of its input
            )
            assert process.stdout is not None  # noqa: S101 - it was asked for as a pipe
            async with asyncio.timeout(START_S):
                if await process.stdout.readline() != READY:
                    raise OSError(ENDED)
        return self._process

    async def close(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.stdin is not None:
            process.stdin.close()
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
