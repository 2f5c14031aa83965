"""Ports: bytes in by callback, bytes out, and a word when the port is lost.

POSIX serial devices and pseudo-terminals are read through the event loop; every other port
(``socket://``, ``rfc2217://``, and devices on systems without file descriptors) through a thread.
"""

import asyncio
import contextlib
import os
import stat
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import serial

from daq.core.driver import Port
from daq.core.errors import LinkError

CHUNK = 65_536
OUTPUT_LIMIT = 65_536

try:
    import fcntl
    import termios
except ImportError:  # not a POSIX system: locks are the operating system's own
    fcntl = None  # type: ignore[assignment]
    termios = None  # type: ignore[assignment]

OnData = Callable[[bytes], None]
OnLost = Callable[[str], None]


class Connection(Protocol):
    """An open port."""

    def write(self, data: bytes) -> None:
        """Hand over bytes for sending; raises `LinkError` where the port is gone or does not take them."""
        ...

    def close(self) -> None:
        """Close; no callback comes after it."""
        ...


@dataclass(frozen=True, slots=True)
class PortAddress:
    """Where an instrument is connected: a device path or a URL, and its serial settings."""

    url: str
    settings: Port


def open_port(address: PortAddress, on_data: OnData, on_lost: OnLost) -> Connection:
    """Open a port on the running loop.  Blocks for the time of opening: call it in a thread for network URLs.

    Raises:
        LinkError: the port does not exist, is held by another process, or refuses its settings.
    """
    settings = address.settings
    device = "://" not in address.url
    options: dict[str, Any] = {
        "baudrate": settings.baud,
        "bytesize": settings.data_bits,
        "parity": settings.parity,
        "stopbits": settings.stop_bits,
        "timeout": 0.2,
        "write_timeout": 2.0,
    }
    try:
        if device and not os.path.exists(address.url):  # noqa: PTH110 - the plain question
            raise LinkError(f"{address.url}: there is no such device; is the cable plugged in?")
        port = serial.serial_for_url(address.url, **options)
    except (OSError, ValueError) as error:
        raise LinkError(f"{address.url}: cannot be opened: {error}") from error
    if device and fcntl is not None:
        try:
            return DeviceConnection(port, address.url, on_data, on_lost)
        except LinkError:
            port.close()
            raise
    return ThreadConnection(port, address.url, on_data, on_lost)


class DeviceConnection:
    """A serial device or pseudo-terminal, read by the event loop."""

    def __init__(self, port: Any, name: str, on_data: OnData, on_lost: OnLost) -> None:
        self._port, self._name = port, name
        self._on_data, self._on_lost = on_data, on_lost
        self._fd: int = port.fileno()
        self._output = b""
        self._closed = False
        self._lock()
        os.set_blocking(self._fd, False)
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._fd, self._readable)

    def _lock(self) -> None:
        """Keep every other process out: flock stops other lockers, TIOCEXCL every other open."""
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
            self._on_data(data)
        else:
            self._lost("the device is gone (cable unplugged or instrument switched off)")

    def write(self, data: bytes) -> None:
        """Write at once what the port takes, the rest when it can."""
        if self._closed:
            raise LinkError(f"{self._name}: the port is closed")
        if self._output:
            self._queue(data)
            return
        try:
            sent = os.write(self._fd, data)
        except BlockingIOError:
            sent = 0
        except OSError as error:
            raise LinkError(f"{self._name}: write failed: {error.strerror}") from error
        if sent < len(data):
            self._queue(data[sent:])
            self._loop.add_writer(self._fd, self._writable)

    def _queue(self, data: bytes) -> None:
        if len(self._output) + len(data) > OUTPUT_LIMIT:
            raise LinkError(f"{self._name}: the port does not take what is sent")
        self._output += data

    def _writable(self) -> None:
        try:
            sent = os.write(self._fd, self._output)
        except BlockingIOError:
            return
        except OSError as error:
            self._lost(f"write failed: {error.strerror}")
            return
        self._output = self._output[sent:]
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
        if termios is not None:
            with contextlib.suppress(OSError):
                fcntl.ioctl(self._fd, termios.TIOCNXCL)
        with contextlib.suppress(OSError):
            self._port.close()


class ThreadConnection:
    """Any other port pyserial knows, read by a thread in blocks."""

    def __init__(self, port: Any, name: str, on_data: OnData, on_lost: OnLost) -> None:
        self._port, self._name = port, name
        self._on_data, self._on_lost = on_data, on_lost
        self._loop = asyncio.get_running_loop()
        self._closed = False
        self._thread = threading.Thread(target=self._read, name=f"port {name}", daemon=True)
        self._thread.start()

    def _read(self) -> None:
        while not self._closed:
            try:
                data = self._port.read(self._port.in_waiting or 1)
            except (OSError, TypeError) as error:  # TypeError: pyserial's port closed under a read
                self._tell(self._lost, f"read failed: {error}")
                return
            if data:
                self._tell(self._data, bytes(data))

    def _tell(self, callback: Callable[..., None], argument: bytes | str) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody listens any more
            self._loop.call_soon_threadsafe(callback, argument)

    def _data(self, data: bytes) -> None:
        if not self._closed:
            self._on_data(data)

    def _lost(self, reason: str) -> None:
        if not self._closed:
            self.close()
            self._on_lost(reason)

    def write(self, data: bytes) -> None:
        """Write; lines are short, so this does not block for long."""
        if self._closed:
            raise LinkError(f"{self._name}: the port is closed")
        try:
            self._port.write(data)
        except OSError as error:
            raise LinkError(f"{self._name}: write failed: {error}") from error

    def close(self) -> None:
        """Release the port; the thread ends with its next read."""
        self._closed = True
        with contextlib.suppress(OSError):
            self._port.close()


class MemoryConnection:
    """A port without a port: whatever is written is answered by `answer`, on the loop's next turn."""

    def __init__(self, answer: Callable[[bytes], bytes], on_data: OnData, on_lost: OnLost) -> None:
        self._answer, self._on_data, self._on_lost = answer, on_data, on_lost
        self._closed = False

    def write(self, data: bytes) -> None:
        """Give the bytes to the other side."""
        if self._closed:
            raise LinkError("memory: the port is closed")
        reply = self._answer(data)
        if reply:
            asyncio.get_running_loop().call_soon(self._deliver, reply)

    def _deliver(self, data: bytes) -> None:
        if not self._closed:
            self._on_data(data)

    def unplug(self, reason: str = "unplugged") -> None:
        """Lose the link, as when the cable is pulled."""
        self.close()
        self._on_lost(reason)

    def close(self) -> None:
        """Stop delivering."""
        self._closed = True
