"""A tiny instrument with an address, a bus of several on one pseudo-terminal, and a server of RFC 2217 around it."""

import asyncio
import contextlib
import os
import pty
import selectors
import socket
import threading
import time
import tty
from dataclasses import dataclass, field

import serial
from serial.rfc2217 import PortManager

from daq.core.driver import Channel, Driver, Identity, Port, Reject, Reply, Request
from daq.core.framing import Framing

MS = 1_000_000


def framed(text: str) -> bytes:
    """Return `text` with a star and two digits of the sum of its bytes."""
    return f"{text}*{sum(text.encode()) % 256:02X}\r".encode()


class Tiny(Driver):
    """`>07?` is answered `<07 21.50`, `>07!` with the identity, `>07.` stops; a checksum on every line."""

    kind = "tiny"
    has_checksum = True
    channels = (Channel("temperature", "Cel", -50.0, 300.0), Channel("speed", "/min", -10.0, 1000.0))
    framing = Framing(terminator=b"\r", longest=40)
    port = Port(baud=9600)
    interval_ns = 100 * MS
    stale_after_ns = 2000 * MS
    shares_line = True
    capabilities = frozenset({"halt"})

    def __init__(self, options=()):
        super().__init__(dict(options))
        self.address = f"{self.options.get('address', 7):02d}"

    def decode(self, line, asked=None):
        text, star, _ = line.decode("latin-1").partition("*")
        if not star or framed(text)[:-1] != line:
            return Reject("wrong checksum")
        if text[:3] != f"<{self.address}":
            return Reject("another address")
        word, _, rest = text[3:].strip().partition(" ")
        if word == "is":
            return Reply("identity", identity=Identity("tiny", rest))
        if word == "still":
            return Reply("halt")
        return float(word), 0.0

    def identify(self):
        return Request(framed(f">{self.address}!"), "identity", timeout_ns=200 * MS)

    def poll(self):
        return Request(framed(f">{self.address}?"), "reading", timeout_ns=200 * MS)

    def action(self, action, value=None):
        return Request(framed(f">{self.address}."), "halt", timeout_ns=200 * MS)


@dataclass
class Member:
    """One instrument on the bus."""

    serial: str = ""
    temperature: float = 20.0
    silent: bool = False
    late_s: float = 0.0
    asked: list[str] = field(default_factory=list)


class Bus:
    """Instruments with addresses on one pseudo-terminal, played by a thread."""

    def __init__(self, *addresses: int, echo: bool = False) -> None:
        self.members = {f"{a:02d}": Member(f"T-{a:04d}", 20.0 + a) for a in addresses}
        self.received: list[tuple[float, bytes]] = []
        """Every line with its time."""
        self.together = 0
        """Number of requests that arrived before the answer to another one was sent."""
        self._echo = echo
        self._outer = self._inner = -1
        self.path = ""
        self._stopping = False
        self._due: list[tuple[float, bytes]] = []
        self._wake, self._woken = socket.socketpair()
        self.plug()
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def plug(self) -> None:
        """Connect (again) as a new device."""
        outer, inner = pty.openpty()
        tty.setraw(inner)
        os.set_blocking(outer, False)
        self.path = os.ttyname(inner)
        self._outer, self._inner = outer, inner

    def unplug(self) -> None:
        """Disconnect the device."""
        outer, self._outer = self._outer, -1
        for fd in (outer, self._inner):
            with contextlib.suppress(OSError):
                os.close(fd)

    def say(self, data: bytes, after_s: float = 0.0) -> None:
        """Bytes without a request."""
        self._due.append((time.monotonic() + after_s, data))
        self._wake.send(b".")

    def close(self) -> None:
        self._stopping = True
        self._wake.send(b".")
        self._thread.join(5)
        self.unplug()
        self._wake.close()
        self._woken.close()

    def _play(self) -> None:
        buffer = b""
        while not self._stopping:
            buffer += self._read()
            while b"\r" in buffer:
                line, _, buffer = buffer.partition(b"\r")
                self._take(line.decode("latin-1"))
            now = time.monotonic()
            for due in [d for d in self._due if d[0] <= now]:
                self._due.remove(due)
                with contextlib.suppress(OSError):
                    os.write(self._outer, due[1])

    def _read(self) -> bytes:
        waits = [0.05, *(max(0.0, t - time.monotonic()) for t, _ in self._due)]
        outer = self._outer
        with selectors.DefaultSelector() as selector:
            selector.register(self._woken, selectors.EVENT_READ)
            if outer >= 0:
                with contextlib.suppress(ValueError, OSError):
                    selector.register(outer, selectors.EVENT_READ)
            ready = [key.fileobj for key, _ in selector.select(min(waits))]
        if self._woken in ready:
            self._woken.recv(100)
        if outer in ready:
            try:
                data = os.read(outer, 4096)
            except OSError:
                time.sleep(0.01)  # no process has the other end open
                return b""
            if self._echo:
                with contextlib.suppress(OSError):
                    os.write(outer, data)
            return data
        return b""

    def _take(self, line: str) -> None:
        self.received.append((time.monotonic(), line.encode("latin-1")))
        text = line.partition("*")[0]
        member = self.members.get(text[1:3])
        if member is None or framed(text)[:-1].decode() != line:
            return
        self.together += bool(self._due)
        member.asked.append(text[3:])
        if member.silent:
            return
        answer = {"!": f"is {member.serial}", "?": f"{member.temperature:.2f}", ".": "still"}[text[3:]]
        self._due.append((time.monotonic() + member.late_s, framed(f"<{text[1:3]} {answer}")))


class RecordingSerial(serial.Serial):
    """A real pseudo-terminal's end without modem lines; it records their settings."""

    def __init__(self, *args, **options) -> None:
        self.lines: list[tuple[str, bool]] = []
        super().__init__(*args, **options)

    def _update_dtr_state(self) -> None:
        self.lines.append(("dtr", self._dtr_state))

    def _update_rts_state(self) -> None:
        self.lines.append(("rts", self._rts_state))

    cts = dsr = ri = cd = property(lambda self: False)


class Rfc2217Server:
    """Serves one pseudo-terminal by pyserial's own implementation of RFC 2217, to one client after the other."""

    def __init__(self, path: str) -> None:
        self.serial = RecordingSerial(path, timeout=0.05)
        self.serial.lines.clear()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._server.getsockname()[1]}"
        self._stopping = False
        self._client: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def write(self, data: bytes) -> None:
        """Send bytes of the manager to the client."""
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.sendall(data)

    def _serve(self) -> None:
        self._server.settimeout(0.1)
        while not self._stopping:
            try:
                client, _ = self._server.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            client.settimeout(0.02)
            self._client = client
            manager = PortManager(self.serial, self)
            with client:
                while not self._stopping and self._client is not None:
                    data = self.serial.read(self.serial.in_waiting)
                    if data:
                        self.write(b"".join(manager.escape(data)))
                    try:
                        data = client.recv(1024)
                    except TimeoutError:
                        continue
                    except OSError:
                        break
                    if not data:
                        break
                    self.serial.write(b"".join(manager.filter(data)))

    def hang_up(self) -> None:
        """End the connection with the client."""
        self._client = None

    def close(self) -> None:
        self._stopping = True
        self._thread.join(5)
        self._server.close()
        self.serial.close()


class Recorder:
    """Received bytes and reasons of loss of a connection."""

    def __init__(self) -> None:
        self.data = b""
        self.lost: list[str] = []

    def on_data(self, data: bytes) -> None:
        self.data += data

    def on_lost(self, reason: str) -> None:
        self.lost.append(reason)


async def until(condition, seconds: float = 90.0):
    """Wait until a condition holds."""
    async with asyncio.timeout(seconds):
        while not (found := condition()):
            await asyncio.sleep(0.005)
    return found
