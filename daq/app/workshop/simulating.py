"""Serve a simulated instrument on a pseudo-terminal or a TCP port."""

import select
import socket
import time
from collections.abc import Callable
from typing import Protocol

from simulators.links import Link

LONGEST_WAIT_S = 0.5
"""Longest time in seconds between two updates of the device."""


class Device(Protocol):
    """A device that answers bytes with bytes; its time passes by `advance`."""

    def advance(self, dt_s: float) -> bytes:
        """Advance the time by `dt_s` (s) and return the bytes that the device sends unasked meanwhile."""
        ...

    def receive(self, data: bytes) -> bytes:
        """Take bytes and return the bytes of the answers."""
        ...

    def due_in_s(self) -> float | None:
        """Return the seconds until the device sends something unasked; None if it does not."""
        ...


class Server:
    """Connects one device with one link until it is stopped."""

    def __init__(
        self, device: Device, link: Link, heard: Callable[[str, bytes], None] = lambda _way, _data: None
    ) -> None:
        """`heard` is called with the direction and the bytes on the line: ``>`` to the device, ``<`` from it."""
        self._device, self._link, self._heard = device, link, heard
        self._stopping = False
        self._waking, self._woken = socket.socketpair()
        self._waking.setblocking(False)

    def stop(self) -> None:
        """End `run`; can be called in a signal handler."""
        self._stopping = True
        self._waking.send(b"\0")

    def run(self, ready: Callable[[str], None]) -> None:
        """Serve until `stop`; `ready` is called with the address when it can be opened."""
        try:
            self._link.plug()
            ready(self._link.address)
            then = time.monotonic()
            while not self._stopping:
                self._wait()
                now = time.monotonic()
                self._say(self._device.advance(now - then))
                then = now
                data = self._link.read()
                if data:
                    self._heard(">", data)
                    self._say(self._device.receive(data))
        finally:
            self._link.unplug()
            self._waking.close()
            self._woken.close()

    def _say(self, data: bytes) -> None:
        if data:
            self._heard("<", data)
            self._link.write(data)

    def _wait(self) -> None:
        waits = [LONGEST_WAIT_S, self._device.due_in_s(), self._link.idle_wait_s()]
        ready = [self._woken.fileno(), *self._link.descriptors()]
        select.select(ready, [], [], min(w for w in waits if w is not None))
