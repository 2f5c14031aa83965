"""From what a file calls a port to what is there now.

Asked anew at each opening: devices come back under other names.
"""

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from serial.tools import list_ports

from daq.core.errors import LinkError, SettingError
from daq.core.portname import UsbAdapter, usb_adapter

STABLE: Final = ("/dev/serial/by-id", "/dev/serial/by-path")
"""Where udev keeps names that outlive plugging, best first."""


@dataclass(frozen=True, slots=True)
class Found:
    """A serial device of this machine.

    Attributes:
        device: the path (or name) to open.
        usb: what its adapter says of itself; None where it is none.
        place: the USB socket (and interface) it is plugged into, for example ``1-1.3:1.0``.
    """

    device: str
    usb: UsbAdapter | None
    place: str = ""


def locate(name: str) -> str:
    """The device or URL behind a port's name.

    Raises:
        LinkError: no such adapter is plugged in, or several are.
    """
    try:
        wanted = usb_adapter(name)
    except SettingError as error:
        raise LinkError(str(error)) from error
    if wanted is None:
        return name
    there = devices()
    fitting = [f for f in there if f.usb is not None and _fits(f.usb, wanted)]
    if not fitting:
        near = ", ".join(f"{f.usb} ({f.device})" for f in there if f.usb is not None) or "none"
        raise LinkError(f"{name}: no such adapter is plugged in (USB adapters now: {near})")
    if len(fitting) > 1:
        candidates = ", ".join(f"{f.usb} ({f.device} in {f.place or 'an unknown socket'})" for f in fitting)
        raise LinkError(
            f"{name} fits more than one adapter: {candidates}; name one with its serial number, or, where that is the "
            f"same, by its socket in {STABLE[1]}"
        )
    return fitting[0].device


def _fits(there: UsbAdapter, wanted: UsbAdapter) -> bool:
    same = (there.vendor, there.product) == (wanted.vendor, wanted.product)
    return same and wanted.serial in ("", there.serial)


def devices() -> list[Found]:
    """Serial devices of this machine, as the operating system lists them."""
    found = []
    for port in list_ports.comports():
        usb = None if port.vid is None or port.pid is None else UsbAdapter(port.vid, port.pid, port.serial_number or "")
        found.append(Found(port.device, usb, port.location or ""))
    return sorted(found, key=lambda f: f.device)


def names() -> list[str]:
    """What may be written as a port for the serial devices of this machine: stable names where there are any."""
    for folder in STABLE:
        stable = sorted(str(path) for path in Path(folder).glob("*"))
        if stable:
            return stable
    there = devices()
    return [str(f.usb) for f in there if f.usb is not None] or [f.device for f in there if _is_plugged(f.device)]


def _is_plugged(device: str) -> bool:
    """Whether a device without USB descriptors is more than one of the empty sockets that Linux makes for all cases."""
    return sys.platform != "linux" or not device.startswith("/dev/ttyS")


def is_device(name: str) -> bool:
    """Whether a located port is a device of this machine."""
    return "://" not in name


def is_there(device: str) -> bool:
    """Whether a device exists, as far as that can be seen without opening it."""
    return os.name != "posix" or os.path.exists(device)  # noqa: PTH110 - the plain question
