"""Links that a host opens: a pseudo-terminal behind a stable symbolic link, or a TCP port."""

import contextlib
import errno
import os
import select
import socket
import termios
import tty
from pathlib import Path
from typing import Protocol

CHUNK = 4096


class Link(Protocol):
    """A link that can be unplugged. Bytes written without a host, or faster than they are read, are lost."""

    @property
    def address(self) -> str:
        """Address that a host opens."""
        ...

    def descriptors(self) -> list[int]:
        """File descriptors to wait on for reading."""
        ...

    def idle_wait_s(self) -> float | None:
        """Return the time to the next check for a host, s; None where the descriptors announce every host."""
        ...

    def read(self) -> bytes:
        """Return bytes from the host, b"" where there are none; never waits."""
        ...

    def write(self, data: bytes) -> None:
        """Send bytes; never waits."""
        ...

    def unplug(self) -> None:
        """Hang up and remove the link."""
        ...

    def plug(self) -> None:
        """Create the link (again)."""
        ...


class PtyLink:
    """A pseudo-terminal in raw mode whose symbolic link keeps its name while the terminal's number changes."""

    def __init__(self, link: Path) -> None:
        if link.exists() and not link.is_symlink():
            raise FileExistsError(f"{link}: exists and is not a symbolic link; choose another path for --pty")
        self._link = link
        self._master: int | None = None
        self._name = ""
        self._was_open = False

    @property
    def address(self) -> str:
        """Path of the symbolic link."""
        return str(self._link)

    def plug(self) -> None:
        """Open a pseudo-terminal under another number than the last one and point the link at it."""
        if self._master is not None:
            return
        master, name = _raw_pty()
        if name == self._name:
            # The system gives the lowest free number; holding it forces another one.
            held, (master, name) = master, _raw_pty()
            os.close(held)
        self._master, self._name = master, name
        fresh = self._link.with_name(f".{self._link.name}.{os.getpid()}")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(name)
        fresh.replace(self._link)

    def unplug(self) -> None:
        """Remove the link and close the terminal; a host that has it open sees a hang-up."""
        if self._master is None:
            return
        if self._link.is_symlink() and str(self._link.readlink()) == self._name:
            self._link.unlink()
        os.close(self._master)
        self._master, self._was_open = None, False

    def descriptors(self) -> list[int]:
        """Return the simulator's end of the terminal while a host has the other end open."""
        return [self._master] if self._master is not None and self._open_elsewhere() else []

    def idle_wait_s(self) -> float | None:
        """Return 0.02 while no host has the terminal open: a hung-up terminal is always ready and cannot be polled."""
        return 0.02 if self._master is not None and not self._open_elsewhere() else None

    def read(self) -> bytes:
        """Return bytes from the host, b"" where there are none."""
        if self._master is None:
            return b""
        try:
            return os.read(self._master, CHUNK)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EIO):
                return b""
            raise

    def write(self, data: bytes) -> None:
        """Send bytes; lost while no host has the terminal open."""
        if self._master is not None and self._open_elsewhere():
            with contextlib.suppress(BlockingIOError):
                os.write(self._master, data)

    def _open_elsewhere(self) -> bool:
        if self._master is None:
            return False
        poll = select.poll()
        poll.register(self._master, 0)
        is_open = not any(event & select.POLLHUP for _, event in poll.poll(0))
        if self._was_open and not is_open:
            _discard_unread(self._name)
        self._was_open = is_open
        return is_open


def _discard_unread(name: str) -> None:
    """Discard bytes that the last host did not read, as a serial port does when it is closed."""
    slave = os.open(name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    termios.tcflush(slave, termios.TCIFLUSH)
    os.close(slave)


def _raw_pty() -> tuple[int, str]:
    """Open a pseudo-terminal in raw mode; return our end and the name of the host's end."""
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    os.set_blocking(master, False)
    return master, name


class TcpLink:
    """A TCP port for one host at a time; a new connection ends the old one, because the old host may be dead."""

    def __init__(self, host: str, port: int) -> None:
        self._host, self._port = host, port
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None

    @property
    def address(self) -> str:
        """`tcp HOST:PORT`, with the port chosen by the system where 0 was given."""
        return f"tcp {self._host}:{self._port}"

    def plug(self) -> None:
        """Listen; after an unplug on the same port as before it."""
        if self._listener is None:
            self._listener = socket.create_server((self._host, self._port), backlog=4)
            self._listener.setblocking(False)
            self._port = self._listener.getsockname()[1]

    def unplug(self) -> None:
        """Close the connection and refuse new ones."""
        for end in (self._peer, self._listener):
            if end is not None:
                end.close()
        self._peer = self._listener = None

    def descriptors(self) -> list[int]:
        """The listening socket and the connection."""
        return [end.fileno() for end in (self._listener, self._peer) if end is not None]

    def idle_wait_s(self) -> float | None:
        """None: the descriptors announce everything."""
        return None

    def read(self) -> bytes:
        """Return bytes from the host, b"" where there are none; accepts a new connection first."""
        self._accept()
        if self._peer is None:
            return b""
        try:
            data = self._peer.recv(CHUNK)
        except BlockingIOError:
            return b""
        except ConnectionError:
            data = b""
        if not data:
            self._drop_peer()
        return data

    def write(self, data: bytes) -> None:
        """Send bytes; lost while no host is connected."""
        self._accept()
        if self._peer is not None:
            try:
                self._peer.send(data)
            except BlockingIOError:
                pass
            except ConnectionError:
                self._drop_peer()

    def _accept(self) -> None:
        while self._listener is not None:
            try:
                peer, _ = self._listener.accept()
            except (BlockingIOError, ConnectionError):
                return
            self._drop_peer()
            peer.setblocking(False)
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._peer = peer

    def _drop_peer(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None
