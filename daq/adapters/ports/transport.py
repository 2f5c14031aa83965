"""Opening of ports.  An open port passes received bytes and its loss to callbacks.

The event loop watches serial devices and pseudo-terminals on Linux.  Threads serve every other port (``socket://``,
``rfc2217://``, and devices of other systems).
"""

import asyncio
import os
from dataclasses import dataclass
from typing import Any, Final

import serial

from daq.adapters.ports import device as transport_device
from daq.adapters.ports.device import DeviceConnection
from daq.adapters.ports.paced import PacedConnection
from daq.adapters.ports.resolving import is_device, is_there, locate
from daq.adapters.ports.threaded import ThreadConnection, close_port, run_in_own_thread
from daq.adapters.ports.types import Connection, OnData, OnLost, Sent
from daq.adapters.ports.virtual import MemoryConnection
from daq.core.driver import Port
from daq.core.errors import LinkError
from daq.core.portname import refuse_login

REFUSED: Final[tuple[type[Exception], ...]] = (
    OSError,
    ValueError,
    NotImplementedError,
    *transport_device.TERMINAL_ERRORS,
)
"""Errors that the opening of a port may raise."""


@dataclass(frozen=True, slots=True)
class PortAddress:
    """Port of an instrument and its serial settings.

    Attributes:
        name: a device path, ``usb:VENDOR:PRODUCT[:SERIAL]`` or a URL (``socket://``, ``rfc2217://``).
        settings: serial settings and pauses.
    """

    name: str
    settings: Port


async def open_port(address: PortAddress, on_data: OnData, on_lost: OnLost) -> Connection:
    """Open a port without blocking the running event loop; bytes that arrive during its settling time are discarded.

    Raises:
        LinkError: the port does not exist, is held by another process, or refuses its settings.
        SettingError: the name holds a user or a password, which every later message would repeat.
    """
    refuse_login(address.name)
    settings = address.settings
    url = locate(address.name)
    label = address.name if url == address.name else f"{address.name} ({url})"
    gate = _Gate(on_data, on_lost) if settings.settle_ns else None
    callbacks = (on_data, on_lost) if gate is None else (gate.data, gate.lost)
    connection: Connection
    if is_device(url) and transport_device.WATCHED_BY_LOOP:
        port = _open(url, label, settings)
        try:
            connection = DeviceConnection(port, label, *callbacks)
        except LinkError:
            port.close()
            raise
    else:
        port = await run_in_own_thread(lambda: _open(url, label, settings), close_port)
        connection = ThreadConnection(port, label, *callbacks)
    if gate is not None:
        try:
            await asyncio.sleep(settings.settle_ns * 1e-9)
            gate.open(label)
        except BaseException:
            connection.close()
            raise
    return PacedConnection(connection, settings.byte_pause_ns, on_lost) if settings.byte_pause_ns else connection


def _open(url: str, label: str, settings: Port) -> Any:
    options: dict[str, Any] = {
        "baudrate": settings.baud,
        "bytesize": settings.data_bits,
        "parity": settings.parity,
        "stopbits": settings.stop_bits,
        "xonxoff": settings.flow == "xon/xoff",
        "rtscts": settings.flow == "rts/cts",
        "timeout": 0.2,
    }
    if is_device(url) and os.path.realpath(url).startswith("/dev/pts/"):
        # A pseudo-terminal has neither parity nor short bytes.  It refuses a second request for them.
        options |= {"bytesize": 8, "parity": "N"}
    if is_device(url) and not transport_device.WATCHED_BY_LOOP:
        options["write_timeout"] = 2.0
        if transport_device.HAS_FLOCK:
            options["exclusive"] = True
    try:
        if is_device(url) and not is_there(url):
            raise LinkError(f"{label}: there is no such device; is the cable plugged in?")
        port = serial.serial_for_url(url, do_not_open=True, **options)
        if settings.dtr is not None:
            port.dtr = settings.dtr
        if settings.rts is not None:
            port.rts = settings.rts
        port.open()
    except REFUSED as error:
        reason = str(error).removeprefix(f"Could not open port {url}: ")
        raise LinkError(f"{label}: cannot be opened: {reason}") from error
    return port


class _Gate:
    """Filter that discards the bytes of a port while it settles."""

    def __init__(self, on_data: OnData, on_lost: OnLost) -> None:
        self._on_data, self._on_lost = on_data, on_lost
        self._is_open = False
        self._reason = ""

    def data(self, data: bytes) -> None:
        if self._is_open:
            self._on_data(data)

    def lost(self, reason: str) -> None:
        if self._is_open:
            self._on_lost(reason)
        else:
            self._reason = reason

    def open(self, name: str) -> None:
        """Pass everything on from now on.

        Raises:
            LinkError: the port was lost while it settled.
        """
        if self._reason:
            raise LinkError(f"{name}: {self._reason}")
        self._is_open = True


__all__ = [
    "Connection",
    "DeviceConnection",
    "MemoryConnection",
    "OnData",
    "OnLost",
    "PacedConnection",
    "PortAddress",
    "Sent",
    "ThreadConnection",
    "open_port",
]
