"""The page as a child process of the daemon: started again when it fails, and ended with the daemon."""

import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from typing import Final

import structlog

log = structlog.get_logger()

AGAIN_S: Final = 2.0
"""Time in seconds after which a page that failed is started again; it doubles up to `LONGEST_S`."""
LONGEST_S: Final = 60.0
STEADY_S: Final = 60.0
"""Time in seconds after which a page has run well: the next failure waits as the first."""
END_S: Final = 5.0
"""Longest time in seconds for its end; then it is killed."""
WRONG: Final = 2
"""Exit code of a page whose settings are wrong; it is not started again."""


def page_command(
    *,
    config: str | None = None,
    state: str | None = None,
    own: str | None = None,
    listen: str | None = None,
    parent: int | None = None,
    pair: str | None = None,
) -> list[str]:
    """Return the command of a page; None leaves a setting to the page.

    Args:
        config: folder or file of the configuration.
        state: the daemon's state directory.
        own: folder of the page's signing key.
        listen: its address.
        parent: process id of the daemon with which it ends, even where the daemon is killed.
        pair: bench for which it prints an address that pairs the browser which opens it.
    """
    given = {"config": config, "state": state, "own": own, "listen": listen, "parent": parent, "pair": pair}
    options = [part for name, value in given.items() if value is not None for part in (f"--{name}", str(value))]
    return [sys.executable, "-m", "daq.page", *options]


def page_environment() -> dict[str, str]:
    """Return the environment of a page, which must not answer to the service manager of the daemon."""
    return {k: v for k, v in os.environ.items() if k not in ("NOTIFY_SOCKET", "WATCHDOG_USEC")}


async def keep_page(command: Sequence[str]) -> None:
    """Run the page until cancelled; then end it."""
    loop = asyncio.get_running_loop()
    wait = AGAIN_S
    while True:
        began = loop.time()
        # The page must not answer to Ctrl-C before the daemon does.
        process = await asyncio.create_subprocess_exec(*command, env=page_environment(), start_new_session=True)
        try:
            code = await process.wait()
        finally:
            await end_page(process)
        if code == WRONG:
            log.error("page", reason="its settings are wrong; it is not started again")
            return
        wait = AGAIN_S if loop.time() - began > STEADY_S else min(2 * wait, LONGEST_S)
        log.error("page", reason=f"it ended with code {code}", again_s=wait)
        await asyncio.sleep(wait)


async def end_page(process: asyncio.subprocess.Process) -> None:
    """End a page; kill it where it does not end within `END_S`."""
    if process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(signal.SIGTERM)
    try:
        async with asyncio.timeout(END_S):
            await process.wait()
    except TimeoutError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
