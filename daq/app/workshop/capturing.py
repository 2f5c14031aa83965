"""Record the bytes on a line in both directions, for a person who connects an instrument for the first time."""

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
"""Silence in seconds after which an answer is complete."""
JOIN_S = 0.005
"""Bytes no further apart in time (s) than this become one piece, so that a line is one line of the file."""
LONGEST_PIECE = 256
"""Largest number of bytes in a piece."""


@dataclass(slots=True)
class Wish:
    """Settings of a capture.

    Attributes:
        address: port and settings.
        sends: requests as bytes, sent one after the other, each after the answer to the one before is complete.
        rounds: how often all requests are sent.
        every_s: least time in seconds from the start of one round to the next.
        wait_s: longest wait for an answer in seconds.
        listen_s: time in seconds to listen if nothing is sent; None: until a person ends it.
        typed: source of typed lines, which are sent with `end`; a line that begins with ``=`` notes what the display
            shows.
        end: bytes added to typed lines.
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
    """One capture in progress.

    Attributes:
        file: file that is written line by line, so that nothing is lost if the process is killed.
        show: called with each line.
        opened: called when the port is open.
        lost: why the capture ended early; "" if it did not.
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
    """Why nothing more is written; "" while the file takes more."""
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
        """End the capture early; everything captured so far is kept."""
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
        """Wait until an answer is complete, at most `wait_s`."""
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
        """Write the received bytes that are not written yet, before anything else, to keep the order."""
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
            self._full = (
                f"{LARGEST // 1_000_000} MB are written, the largest size of a capture: a few minutes are enough"
            )
        else:
            try:
                self.file.write(line + "\n")
                self.file.flush()
            except OSError as error:
                self._full = f"the file cannot be written: {error.strerror}; its content so far can be used"
        if self._full:
            self._gone(self._full)

    # ---- typed lines

    def _read_typed(self, source: IO[str]) -> None:
        loop = asyncio.get_running_loop()

        def read() -> None:
            for line in source:
                with contextlib.suppress(RuntimeError):  # the loop is closed: the capture has ended
                    loop.call_soon_threadsafe(self._typed, line.rstrip("\r\n"))
            # Wait for the answer to the last typed line.
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
