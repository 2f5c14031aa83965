"""Serial devices and pseudo-terminals, watched by the event loop."""

import asyncio
import contextlib
import os
import select
import stat
import sys
from typing import Any, Final

from daq.adapters.ports.types import OUTPUT_LIMIT, Connection, OnData, OnLost, Sent, ignore_sent
from daq.core.errors import LinkError

try:
    import fcntl
    import termios
except ImportError:  # not a POSIX system: the operating system locks serial ports itself
    fcntl = None  # type: ignore[assignment]
    termios = None  # type: ignore[assignment]

CHUNK: Final = 65_536
"""Maximum number of bytes of one read."""
HAS_FLOCK: Final = fcntl is not None
TERMINAL_ERRORS: Final[tuple[type[Exception], ...]] = () if termios is None else (termios.error,)
"""Errors for refused serial settings; `termios.error` is not an OSError."""
WATCHED_BY_LOOP: Final = HAS_FLOCK and sys.platform == "linux"
"""True if the event loop can watch serial devices.  On Windows it cannot, on macOS not every device."""


class DeviceConnection(Connection):
    """A serial device or pseudo-terminal, read by the event loop."""

    def __init__(self, port: Any, name: str, on_data: OnData, on_lost: OnLost) -> None:
        """Lock the port and start to read.

        Raises:
            LinkError: another program holds the port.
        """
        self._port, self._name = port, name
        self._on_data, self._on_lost = on_data, on_lost
        self._fd: int = port.fileno()
        self._output = b""
        self._empty_reads = 0
        """Number of consecutive reads without data."""
        self._closed = False
        self._lock()
        os.set_blocking(self._fd, False)
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._fd, self._readable)

    def _lock(self) -> None:
        """Lock the port against other processes: flock against those that lock, TIOCEXCL against every other open."""
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise LinkError(f"{self._name}: another program holds this port") from error
        if stat.S_ISCHR(os.fstat(self._fd).st_mode):
            with contextlib.suppress(OSError):
                fcntl.ioctl(self._fd, termios.TIOCEXCL)

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, CHUNK)
        except BlockingIOError:
            return
        except OSError as error:
            self._lost(f"read failed: {error.strerror}")
            return
        if data:
            self._empty_reads = 0
            self._on_data(data)
            return
        # One read without data is possible on a working line.  A second one, or a hang-up, means that the device is
        # gone.
        self._empty_reads += 1
        if self._empty_reads > 1 or self._hung_up():
            self._lost("the device is gone (cable unplugged or instrument switched off)")

    def _hung_up(self) -> bool:
        poll = select.poll()
        poll.register(self._fd, 0)
        return any(event & (select.POLLHUP | select.POLLERR | select.POLLNVAL) for _, event in poll.poll(0))

    def write(self, data: bytes, sent: Sent = ignore_sent) -> None:
        """Write at once as much as the port accepts, and the rest when it is ready."""
        if self._closed:
            raise LinkError(f"{self._name}: the port is closed")
        if self._output:
            self._queue(data)
            sent()
            return
        try:
            taken = os.write(self._fd, data)
        except BlockingIOError:
            taken = 0
        except OSError as error:
            raise LinkError(f"{self._name}: write failed: {error.strerror}") from error
        if taken < len(data):
            self._queue(data[taken:])
            self._loop.add_writer(self._fd, self._writable)
        sent()

    def _queue(self, data: bytes) -> None:
        if len(self._output) + len(data) > OUTPUT_LIMIT:
            raise LinkError(f"{self._name}: the port does not accept data; check flow control and cable")
        self._output += data

    def _writable(self) -> None:
        try:
            taken = os.write(self._fd, self._output)
        except BlockingIOError:
            return
        except OSError as error:
            self._lost(f"write failed: {error.strerror}")
            return
        self._output = self._output[taken:]
        if not self._output:
            self._loop.remove_writer(self._fd)

    def _lost(self, reason: str) -> None:
        self.close()
        self._on_lost(reason)

    def close(self) -> None:
        """Release the port."""
        if self._closed:
            return
        self._closed = True
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        with contextlib.suppress(OSError):
            fcntl.ioctl(self._fd, termios.TIOCNXCL)
            if self._port.xonxoff or self._port.rtscts:
                # Output that the other side does not accept would delay the closing by half a minute.
                termios.tcflush(self._fd, termios.TCOFLUSH)
        with contextlib.suppress(OSError):
            self._port.close()
