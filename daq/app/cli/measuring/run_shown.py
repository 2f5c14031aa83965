"""Show a run of `daq run` until its end: imported while the daemon already starts it."""

import asyncio
import contextlib
import signal
import socket
import sys
from collections.abc import AsyncIterator, Callable, Coroutine
from pathlib import Path

from daq.app.daemon.daemon_client import follow, follow_sent
from daq.app.daemon.protocol import Answer, Ended, Started, StopRun, Viewed
from daq.app.screens.live import RunScreen, exit_code
from daq.app.screens.text import plain as harmless
from daq.core.errors import LinkError

Stop = Callable[[str], Coroutine[None, None, None]]


class _Stopping:
    """Stops the run at Ctrl-C and at SIGTERM, as soon as its instrument is known."""

    def __init__(self, stop: Stop, asked: Callable[[], bool]) -> None:
        """`stop` stops the run on an instrument; `asked`: whether that was asked for before."""
        self._stop = stop
        self._instrument = ""
        self._tasks: list[asyncio.Task[None]] = []
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, self._ask)
        self._asked = asked()  # after the handlers, so that no signal is between them

    def _ask(self) -> None:
        self._asked = True
        if self._instrument:
            self._tasks.append(asyncio.ensure_future(self._stop(self._instrument)))

    def started(self, instrument: str) -> None:
        """Take the instrument of the run that has started; stop it at once if that was asked before."""
        self._instrument = instrument
        if self._asked:
            self._ask()


async def shown(
    answers: AsyncIterator[Answer], stop: Stop, *, plain: bool, asked: Callable[[], bool] = lambda: False
) -> int:
    """Show views until the end.  Ctrl-C stops the run; the views go on until the state of the motor is known.

    Args:
        answers: of the daemon, or of the one in this process.
        stop: stops the run on an instrument.
        plain: lines of text instead of a changing screen.
        asked: whether a stop was asked for before.
    """
    stopping = _Stopping(stop, asked)
    screen = RunScreen(plain=plain)
    with contextlib.ExitStack() as showing:
        async for answer in answers:
            if isinstance(answer, Started):
                showing.enter_context(screen)
                stopping.started(answer.instrument)
                for line in answer.warnings:
                    print(f"daq: {harmless(line)}", file=sys.stderr)
            elif isinstance(answer, Viewed):
                screen.show(answer.view)
            elif isinstance(answer, Ended):
                screen.finish(answer.outcome, answer.result)
                return exit_code(answer.outcome, answer.result)
    raise LinkError("the daemon ended its answer without an outcome")


async def shown_from_daemon(connection: socket.socket, path: Path, *, plain: bool, stop: Callable[[], bool]) -> int:
    """Show the answers of the daemon to an order that was sent; `stop`: whether a stop was asked for meanwhile."""

    async def stop_run(instrument: str) -> None:
        async for _ in follow(path, StopRun(instrument=instrument)):
            pass

    return await shown(follow_sent(connection), stop_run, plain=plain, asked=stop)
