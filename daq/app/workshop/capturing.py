"""Writes down what goes over a line in both directions, for a person who connects an instrument for the first time."""

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import IO

from daq.adapters.ports.transport import Connection, PortAddress, open_port
from daq.core.errors import LinkError
from daq.descriptions.capture import FIRST_LINE, LARGEST, Capture, Piece, piece_line, unescaped

QUIET_S = 0.15
"""Nothing for so long after something: an answer is complete."""
JOIN_S = 0.005
"""Bytes no farther apart than this are one piece, so that a line stands in one line of the file."""
LONGEST_PIECE = 256


@dataclass(slots=True)
class Wish:
    """What to capture.

    Attributes:
        address: port and settings.
        sends: requests as bytes, sent one after the other, each when the answer to the one before is complete.
        rounds: how often to send them all.
        every_s: least time from round to round.
        wait_s: how long to wait for an answer.
        listen_s: how long to listen where nothing is sent; None: until it is ended by a person.
        typed: lines of this text are sent too, with `end`; one that begins with ``=`` says what the display shows.
        end: what is added to lines that are typed.
    """

    address: PortAddress
    sends: Sequence[bytes] = ()
    rounds: int = 1
    every_s: float = 1.0
    wait_s: float = 1.0
    listen_s: float | None = None
    typed: IO[str] | None = None
    end: bytes = b"\r\n"


@dataclass(slots=True)
class Capturing:
    """One capture while it is made.

    Attributes:
        file: where it is written, line by line, so that nothing is lost when it is cut off.
        show: is told each line.
        opened: is called once the port is open.
        lost: why it ended before its time; "" where it did not.
    """

    wish: Wish
    file: IO[str]
    show: Callable[[str], None]
    opened: Callable[[], None] = lambda: None
    capture: Capture = field(default_factory=Capture)
    lost: str = ""
    _connection: Connection | None = None
    _start: int = 0
    _came: int = 0
    _size: int = 0
    _full: str = ""
    """Why nothing more is written."""
    _joined: bytes = b""
    _joined_t: int = 0
    _ended: asyncio.Event = field(default_factory=asyncio.Event)

    async def run(self) -> Capture:
        """Capture until it is done, the port is lost, or the task is cancelled.

        Raises:
            LinkError: the port cannot be opened.
        """
        settings = self.wish.address.settings
        about = {
            "port": self.wish.address.name,
            "settings": f"{settings.baud} baud, {settings.data_bits}{settings.parity}{settings.stop_bits:g}",
            "began": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        }
        self.capture.about |= about
        self._write("\n".join([FIRST_LINE, *(f"# {key}: {value}" for key, value in about.items())]))
        self._start = time.monotonic_ns()
        self._connection = await open_port(self.wish.address, self._data, self._gone)
        self.opened()
        try:
            if self.wish.typed is not None:
                self._read_typed(self.wish.typed)
            await self._send_all()
            if not self.wish.sends or self.wish.listen_s is not None:
                await self._pause(self.wish.listen_s)
        finally:
            self._connection.close()
            self._flush()
        return self.capture

    def end(self) -> None:
        """End it early; what was captured stays."""
        self._ended.set()

    async def _send_all(self) -> None:
        for number in range(self.wish.rounds if self.wish.sends else 0):
            began = time.monotonic()
            for data in self.wish.sends:
                if self._ended.is_set():
                    return
                self._send(data)
                await self._answer()
            if number + 1 < self.wish.rounds:
                await self._pause(max(0.0, self.wish.every_s - (time.monotonic() - began)))

    async def _answer(self) -> None:
        """Wait until an answer is complete, or for as long as is allowed."""
        before, deadline = self._came, time.monotonic() + self.wish.wait_s
        while time.monotonic() < deadline and not self._ended.is_set():
            seen = self._came
            await self._pause(QUIET_S)
            if self._came > before and self._came == seen:
                return

    async def _pause(self, seconds: float | None) -> None:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._ended.wait(), seconds)

    def _send(self, data: bytes) -> None:
        if self._connection is None:
            return
        self._flush()
        try:
            self._connection.write(data)
        except LinkError as error:
            self._gone(str(error))
            return
        self._piece(Piece(self._now(), ">", data))

    def _data(self, data: bytes) -> None:
        self._came += len(data)
        self._joined += data
        self._joined_t = self._now()
        if data.endswith(b"\n") or len(self._joined) >= LONGEST_PIECE:
            self._flush()
        else:
            asyncio.get_running_loop().call_later(JOIN_S, self._flush_if_quiet)

    def _flush_if_quiet(self) -> None:
        if self._now() - self._joined_t >= JOIN_S * 0.9e9:
            self._flush()

    def _flush(self) -> None:
        """Write down what came; before anything else is written, so that the order stays."""
        data, self._joined = self._joined, b""
        if data:
            self._piece(Piece(self._joined_t, "<", data))

    def _gone(self, reason: str) -> None:
        self.lost = self.lost or reason
        self._ended.set()

    def _now(self) -> int:
        return time.monotonic_ns() - self._start

    def _piece(self, piece: Piece) -> None:
        if self._full:
            return
        self.capture.pieces.append(piece)
        line = piece_line(piece)
        self._write(line)
        self.show(line)

    def _write(self, line: str) -> None:
        if self._full:
            return
        self._size += len(line) + 1
        if self._size > LARGEST:
            self._full = f"{LARGEST // 1_000_000} MB are written, more than anybody reads: a few minutes say as much"
        else:
            try:
                self.file.write(line + "\n")
                self.file.flush()
            except OSError as error:
                self._full = f"the file cannot be written: {error.strerror}; what it holds so far can be used"
        if self._full:
            self._gone(self._full)

    # ---- what a person types

    def _read_typed(self, source: IO[str]) -> None:
        loop = asyncio.get_running_loop()

        def read() -> None:
            for line in source:
                with contextlib.suppress(RuntimeError):  # the loop is closed: the capture is over
                    loop.call_soon_threadsafe(self._typed, line.rstrip("\r\n"))
            # What was typed last is still to be answered.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(loop.call_later, self.wish.wait_s, self.end)

        threading.Thread(target=read, name="typed lines", daemon=True).start()

    def _typed(self, line: str) -> None:
        if line.startswith("="):
            self._flush()
            self._piece(Piece(self._now(), "=", line[1:].strip().encode("utf-8")))
            return
        try:
            data = unescaped(line)
        except ValueError as error:
            self.show(f"not sent: {error}")
            return
        self._send(data + self.wish.end)
