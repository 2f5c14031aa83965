"""The control socket: one JSON object a line, over a Unix socket only its owner may open.

A request is ``{"do": name, ...}``; answers are objects, the last one has ``"done": true``.
An answer with ``"error"`` tells a person what was wrong.
"""

import asyncio
import contextlib
import json
import os
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any, Final

import structlog

from daq.core.errors import DaqError, LinkError, SettingError

log = structlog.get_logger()

LONGEST_LINE: Final = 1 << 20
LAST_WORDS_S: Final = 1.0
"""How long answers under way may still take when the daemon ends."""

Answer = dict[str, Any]
Handler = Callable[[Answer], AsyncIterator[Answer]]


class ControlServer:
    """Serves one socket; every connection carries one request."""

    def __init__(self, path: Path, handler: Handler) -> None:
        """`handler` yields the answers to a request; `DaqError` becomes an ``error`` answer."""
        self._path, self._handler = path, handler
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen.  The caller holds the lock of the state directory, so a socket left there is a dead one's."""
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        before = os.umask(0o177)
        try:
            self._server = await asyncio.start_unix_server(self._serve, str(self._path), limit=LONGEST_LINE)
        finally:
            os.umask(before)

    async def stop(self) -> None:
        """Close the socket, let answers under way come to their end, and close all connections."""
        if self._server is not None:
            self._server.close()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=LAST_WORDS_S)
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is not None:
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        try:
            async for answer in self._answers(await reader.readline()):
                writer.write(json.dumps(answer, separators=(",", ":")).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, asyncio.CancelledError, ValueError) as error:
            log.debug("control connection ended", reason=repr(error))
        finally:
            writer.close()
            with contextlib.suppress(ConnectionError, asyncio.CancelledError):
                await writer.wait_closed()

    async def _answers(self, line: bytes) -> AsyncIterator[Answer]:
        try:
            async for answer in self._handler(_request(line)):
                yield answer
            yield {"done": True}
        except json.JSONDecodeError as error:
            yield {"error": f"not JSON: {error}", "kind": "setting", "done": True}
        except DaqError as error:
            yield {"error": str(error), "kind": _kind(error), "done": True}
        except Exception as error:
            log.exception("request failed", request=line[:200].decode("utf-8", "replace"))
            text = f"fault of the software: {type(error).__name__}: {error}; the daemon's log has more"
            yield {"error": text, "kind": "fault", "done": True}


def _request(line: bytes) -> Answer:
    try:
        request = json.loads(line)
    except (UnicodeDecodeError, RecursionError) as error:
        raise SettingError(f"a request is one line of JSON: {error}") from None
    if not isinstance(request, dict) or not isinstance(request.get("do"), str):
        raise SettingError('a request is one line of JSON: {"do": ...}')
    return request


def _kind(error: DaqError) -> str:
    return "setting" if isinstance(error, SettingError) else "link" if isinstance(error, LinkError) else "fault"


def request(path: Path, message: Answer, *, timeout_s: float | None = 30.0) -> Iterator[Answer]:
    """Send a request and yield its answers until the last (which has ``done``).

    Raises:
        LinkError: no daemon listens at `path`, or it went away before the last answer.
    """
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(timeout_s)
        try:
            connection.connect(str(path))
            connection.sendall(json.dumps(message).encode() + b"\n")
            with connection.makefile("rb") as lines:
                for line in lines:
                    if not line.endswith(b"\n"):
                        break  # it was killed in the middle of it
                    answer: Answer = json.loads(line)
                    yield answer
                    if answer.get("done"):
                        return
        except OSError as error:
            raise LinkError(f"{path}: no answer from the daemon: {error}") from error
    raise LinkError(f"{path}: the daemon went away before it had answered; look into its log")


def raise_error(answer: Answer) -> Answer:
    """`answer`, unless it is an error: then the exception it stands for."""
    if "error" in answer:
        kinds: dict[str, type[DaqError]] = {"setting": _Setting, "link": LinkError, "fault": DaqError}
        raise kinds.get(answer.get("kind", ""), DaqError)(answer["error"])
    return answer


class _Setting(SettingError):
    """A `SettingError` whose text is complete already."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
