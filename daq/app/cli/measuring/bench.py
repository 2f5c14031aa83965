"""`daq bench`: the work at one bench through a shift, on a whole terminal, with keyboard and bar-code scanner."""

import argparse
import asyncio
import contextlib
import io
import os
import signal
import sys
import termios
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from rich.console import Console

from daq.adapters.paths import config_dir, state_dir
from daq.app.cli.laboratory.typed_secrets import badge_arguments, badge_of
from daq.app.daemon.daemon_client import ask, follow
from daq.app.daemon.protocol import BenchViewed, Perform, Performed, Stopped, StopRun, Viewed, WatchBench, WatchRun
from daq.app.laboratory.given import Given
from daq.app.screens.bench.bench_keys import GAP_S, KEYS, Keyboard, Typed, command_of
from daq.app.screens.bench.bench_lines import bench_lines
from daq.app.screens.bench.bench_view import BenchView
from daq.app.screens.live import styled
from daq.app.screens.run_view import RunView
from daq.app.screens.styled_lines import Line, wrapped
from daq.app.screens.text import plain
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import DaqError, LinkError, SettingError
from daq.process.stop_request import daemon_socket

AGAIN_S: Final = 1.0
"""Time (s) after which a daemon that does not answer is asked again."""
CAUGHT_UP_S: Final = 5.0
"""Longest time (s) that the next input waits for the view after the one before."""
OPENED: Final = "\x1b[?1049h\x1b[?25l"
"""Alternate screen, without a cursor."""
CLOSED: Final = "\x1b[?25h\x1b[?1049l"
EPILOG: Final = """\
Commands are function keys, because no bar-code scanner sends them. A scan is an id where an id is asked for, and
nothing elsewhere. F12 stops the run. F10 leaves the screen; a run goes on.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("bench", metavar="INSTRUMENT", help="name of the instrument")
    badge_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Show the work at a bench until the person leaves."""
    catalogue, _ = Catalogue.read(config_dir(args.config))
    socket = daemon_socket(state_dir(args.state, catalogue.state))
    if socket is None:
        raise SettingError("the work at a bench needs the daemon; start it: daq serve")
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise SettingError("the work at a bench needs a terminal for screen and keys")
    catalogue.instrument(args.bench)  # refuses one that is not known
    given = Given(badge=badge_of(args))
    with _whole_terminal():
        asyncio.run(_Screen(socket, args.bench, given).run())
    return 0


@contextlib.contextmanager
def _whole_terminal() -> Iterator[None]:
    """Take the terminal for the time of a context: no echo, no signals from keys, and a screen of its own."""
    before = termios.tcgetattr(sys.stdin)
    try:
        tty.setraw(sys.stdin)
        sys.stdout.write(OPENED)
        sys.stdout.flush()
        yield
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
        sys.stdout.write(CLOSED)
        sys.stdout.flush()


class _Screen:
    """The screen of one bench: views come in, keys and texts go out as acts."""

    def __init__(self, socket: Path, bench: str, given: Given) -> None:
        self._socket, self._bench, self._given = socket, bench, given
        self._keyboard = Keyboard()
        self._view: BenchView | None = None
        self._run_view: RunView | None = None
        self._trouble = "waiting for the daemon"
        self._refusal = ""
        self._changed = asyncio.Event()
        self._seen = asyncio.Event()
        self._inputs: asyncio.Queue[tuple[Typed, int]] = asyncio.Queue()
        self._stops: list[asyncio.Future[None]] = []
        self._left = asyncio.Event()

    async def run(self) -> None:
        loop = asyncio.get_running_loop()
        loop.add_reader(sys.stdin.fileno(), self._read)
        for number in (signal.SIGTERM, signal.SIGHUP):
            loop.add_signal_handler(number, self._left.set)
        loop.add_signal_handler(signal.SIGWINCH, self._changed.set)
        tasks = [asyncio.create_task(work) for work in (self._watch(), self._watch_run(), self._act(), self._draw())]
        left = asyncio.create_task(self._left.wait())
        try:
            done, _ = await asyncio.wait([left, *tasks], return_when=asyncio.FIRST_COMPLETED)
            for task in done - {left}:
                task.result()
        finally:
            loop.remove_reader(sys.stdin.fileno())
            for task in (left, *tasks):
                task.cancel()
            await asyncio.gather(left, *tasks, return_exceptions=True)

    # ---- the keyboard

    def _read(self) -> None:
        data = os.read(sys.stdin.fileno(), 65536)
        if not data:  # the terminal is gone
            self._left.set()
            return
        self._take(self._keyboard.feed(data, time.monotonic()))
        # A little later than the gap, so that the clock has passed it for certain.
        asyncio.get_running_loop().call_later(GAP_S * 1.2, self._settle)

    def _settle(self) -> None:
        self._take(self._keyboard.settle(time.monotonic()))

    def _take(self, inputs: list[Typed]) -> None:
        for typed in inputs:
            if typed == Typed("key", KEYS["leave"]):
                self._left.set()
            elif typed == Typed("key", KEYS["stop"]):
                # At once, whatever the inputs before wait for: it must reach the motor.
                self._stops.append(asyncio.ensure_future(self._stop()))
            else:
                self._inputs.put_nowait((typed, 0 if self._view is None else self._view.revision))
        self._changed.set()

    # ---- acts

    async def _act(self) -> None:
        while True:
            typed, seen = await self._inputs.get()
            view = self._view
            if view is None:
                continue
            self._refusal = ""
            try:
                if typed.kind == "text":
                    await self._perform("bench_text", {"text": typed.value, "seen": view.revision})
                elif command := command_of(typed.value, view.commands):
                    await self._command(view, command, seen)
            except DaqError as error:
                self._refusal = str(error)
            self._changed.set()

    async def _stop(self) -> None:
        """Stop the run on the bench, also one that was started elsewhere, and tell it to the flow."""
        try:
            await asyncio.to_thread(ask, self._socket, StopRun(instrument=self._bench), Stopped)
            await self._perform("bench_command", {"command": "stop"})
        except DaqError as error:
            self._refusal = str(error)
        self._changed.set()

    async def _command(self, view: BenchView, command: str, seen: int) -> None:
        """Give a command; a text that Enter has not ended belongs to a confirmation."""
        line = self._keyboard.line.strip()
        if command == "confirm" and view.asks == "text" and line:
            self._keyboard.line = ""
            seen = await self._perform("bench_text", {"text": line, "seen": seen})
        await self._perform("bench_command", {"command": command, "seen": seen})

    async def _perform(self, act: str, order: dict[str, Any]) -> int:
        """Carry out an act, wait until its effect is on the screen, and return the revision of the bench."""
        request = Perform(act=act, order={"bench": self._bench, **order}, by=self._given)
        done = await asyncio.to_thread(ask, self._socket, request, Performed)
        revision = int(done.performed["revision"])
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(CAUGHT_UP_S):
                while self._view is None or self._view.revision < revision:
                    self._seen.clear()
                    await self._seen.wait()
        return revision

    # ---- views

    async def _watch(self) -> None:
        while True:
            try:
                async for answer in follow(self._socket, WatchBench(instrument=self._bench)):
                    if isinstance(answer, BenchViewed):
                        self._view, self._trouble = answer.bench_view, ""
                        self._seen.set()
                        self._changed.set()
            except SettingError:
                raise
            except LinkError as error:
                self._trouble = str(error)
                self._changed.set()
            await asyncio.sleep(AGAIN_S)

    async def _watch_run(self) -> None:
        """Follow the run of the bench while there is one."""
        while True:
            if self._view is not None and self._view.stage == "running":
                with contextlib.suppress(DaqError):
                    async for answer in follow(self._socket, WatchRun(instrument=self._bench)):
                        if isinstance(answer, Viewed):
                            self._run_view = answer.view
                            self._changed.set()
                self._run_view = None
            await asyncio.sleep(0.2)

    async def _draw(self) -> None:
        while True:
            await self._changed.wait()
            self._changed.clear()
            columns, rows = os.get_terminal_size(sys.stdout.fileno())
            lines = self._lines(columns, rows)
            sys.stdout.write("\x1b[H" + _text(lines, columns) + "\x1b[J")
            sys.stdout.flush()
            await asyncio.sleep(0.05)

    def _lines(self, columns: int, rows: int) -> list[Line]:
        if self._view is None or self._trouble:
            leave = f"{KEYS['leave']} leave the screen"
            return [[(self._bench, "head")], [], *wrapped(plain(self._trouble), columns, "", "bad"), [], [(leave, "")]]
        lines = bench_lines(self._view, self._run_view, self._keyboard.line, columns, rows)
        if self._refusal:
            lines[2:3] = wrapped(plain(self._refusal), columns, "", "bad")
        return lines[:rows]


def _text(lines: list[Line], columns: int) -> str:
    """Return lines as the terminal takes them; each is erased to its end."""
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=columns, highlight=False, markup=False, emoji=False)
    console.print(styled(lines), soft_wrap=True, end="")
    return out.getvalue().replace("\n", "\x1b[K\r\n") + "\x1b[K"
