"""The process of the page: it serves until SIGTERM or SIGINT, and ends open streams first.

A server that waits for open streams never ends; so each stream gets its last event before the server stops.
"""

import asyncio
import contextlib
import os
import signal
import socket
import ssl
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final
from urllib.parse import quote

import structlog
import uvicorn

from daq.core.errors import SettingError
from daq.page.application import make_application, make_parts
from daq.page.settings import PageSettings
from daq.process.systemd import notify
from daq.process.tasks import Tasks

log = structlog.get_logger()

BACKLOG: Final = 128
MOST_REQUESTS: Final = 500
"""Greatest number of connections; further ones get 503."""
IDLE_S: Final = 15
"""Time in seconds after which an idle connection is closed."""
STREAMS: Final = "/events"
"""End of the paths of streams, which end with their last event."""
PARENT_S: Final = 0.5
"""Time in seconds between two looks at the process that started this one."""
LAST_S: Final = 1
"""Longest time in seconds that open requests, which are no streams, have after the signal to end."""


class _Server(uvicorn.Server):
    """A server that leaves signals to `serve_page`."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Install no handler of signals."""
        yield

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End as the base does, without a wait for browsers that do not take the last event of their stream."""
        for connection in list(self.server_state.connections):
            transport, scope = connection.transport, getattr(connection, "scope", None)
            is_stream = scope is not None and scope["path"].endswith(STREAMS)
            if is_stream and transport is not None and transport.get_write_buffer_size():
                transport.abort()
        await super().shutdown(sockets)


def listening_socket(settings: PageSettings) -> socket.socket:
    """Return the bound socket of a page.

    Raises:
        SettingError: the address cannot be used.
    """
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    made = socket.socket(family)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((settings.host, settings.port))
    except OSError as error:
        made.close()
        raise SettingError(
            f"{settings.host}:{settings.port} cannot be used: {error.strerror}; name another with --listen, or end the "
            "program that uses it",
            key="page.listen",
        ) from None
    made.listen(BACKLOG)
    made.setblocking(False)
    return made


async def serve_page(
    settings: PageSettings, *, say: bool = True, parent: int | None = None, pair: str | None = None
) -> None:
    """Serve the page until SIGTERM or SIGINT.

    Args:
        settings: the settings of the page.
        say: print the address on which it listens.
        parent: process id of the daemon that started it; it ends with that process.
        pair: bench for which an address is printed that pairs the browser which opens it.

    Raises:
        SettingError: the address, the certificate or its key cannot be used; or `pair` where persons log in.
    """
    if pair and settings.people:
        # The address would be in the logs of the machine, where more persons read it than those who administer.
        raise SettingError("people are switched on: a person who administers pairs, on the screen", key="--pair")
    listening = listening_socket(settings)
    settings = replace(settings, port=listening.getsockname()[1])
    parts = make_parts(settings)
    config = uvicorn.Config(
        make_application(parts),
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        timeout_keep_alive=IDLE_S,
        timeout_graceful_shutdown=LAST_S,
        limit_concurrency=MOST_REQUESTS,
        ssl_certfile=settings.certificate,
        ssl_keyfile=settings.key,
    )
    try:
        config.load()
    except (OSError, ssl.SSLError) as error:
        listening.close()
        raise SettingError(f"certificate or key cannot be used: {error}", key="page.certificate") from None
    server = _Server(config)

    def end() -> None:
        notify("STOPPING=1")
        parts.hub.close()
        server.should_exit = True

    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, end)
    if say:
        print(f"open {settings.origin}", flush=True)  # noqa: T201 - the person who starts it looks for it
        if pair:
            path = f"/pair/{quote(pair, safe='')}/{parts.codes.made(pair)}"
            print(f"open {settings.origin}{path}", flush=True)  # noqa: T201
    notify("READY=1")
    log.info("page", address=settings.origin)
    tasks = Tasks()
    if parent is not None:
        tasks.start(_end_with(parent, end), "end with the daemon", ends=True)
    try:
        await server.serve(sockets=[listening])
    finally:
        await tasks.stop()


async def _end_with(parent: int, end: Callable[[], None]) -> None:
    """End when the daemon that started this process has gone: it keeps the address from the page of the next one."""
    while os.getppid() == parent:  # noqa: ASYNC110 - the kernel tells no event of it
        await asyncio.sleep(PARENT_S)
    log.warning("page", reason="the daemon that started it has gone")
    end()
