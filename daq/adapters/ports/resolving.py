"""Resolution of a port's name in a file to a device of this machine.

It is repeated at each opening, because a device can come back under another name.
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
"""Folders of udev's stable names, in order of preference."""


@dataclass(frozen=True, slots=True)
class SerialDevice:
    """A serial device of this machine.

    Attributes:
        device: path or name to open.
        usb: identity of its USB adapter; None for a device without USB.
        place: USB socket and interface, for example ``1-1.3:1.0``.
    """

    device: str
    usb: UsbAdapter | None
    place: str = ""


def locate(name: str) -> str:
    """Return the device or URL for a port's name.

    Raises:
        LinkError: no adapter fits the name, or several do.
    """
    try:
        wanted = usb_adapter(name)
    except SettingError as error:
        raise LinkError(str(error)) from error
    if wanted is None:
        return name
    present = devices()
    matching = _fitting(present, wanted)
    if not matching:
        near = ", ".join(f"{f.usb} ({f.device})" for f in present if f.usb is not None) or "none"
        raise LinkError(f"{name}: no such adapter is plugged in (USB adapters now: {near})")
    if len(matching) > 1:
        candidates = ", ".join(f"{f.usb} ({f.device} in {f.place or 'an unknown socket'})" for f in matching)
        raise LinkError(
            f"{name} fits more than one adapter: {candidates}; name one with its serial number, or, where that is the "
            f"same, by its socket in {STABLE[1]}"
        )
    return matching[0].device


def possible_devices(name: str) -> list[str]:
    """Return every device that a port's name may mean now: of a USB adapter, each one that fits it."""
    try:
        wanted = usb_adapter(name)
    except SettingError:
        return []
    if wanted is None:
        return [name] if is_device(name) else []
    return [found.device for found in _fitting(devices(), wanted)]


def _fitting(present: list[SerialDevice], wanted: UsbAdapter) -> list[SerialDevice]:
    return [f for f in present if f.usb is not None and _fits(f.usb, wanted)]


def _fits(present: UsbAdapter, wanted: UsbAdapter) -> bool:
    same = (present.vendor, present.product) == (wanted.vendor, wanted.product)
    return same and wanted.serial in ("", present.serial)


def devices() -> list[SerialDevice]:
    """Return the serial devices that the operating system lists, sorted by path."""
    found = []
    for port in list_ports.comports():
        usb = None if port.vid is None or port.pid is None else UsbAdapter(port.vid, port.pid, port.serial_number or "")
        found.append(SerialDevice(port.device, usb, port.location or ""))
    return sorted(found, key=lambda f: f.device)


def names() -> list[str]:
    """Return names for the ports of this machine's serial devices: stable names where there are any."""
    for folder in STABLE:
        stable = sorted(str(path) for path in Path(folder).glob("*"))
        if stable:
            return stable
    present = devices()
    return [str(f.usb) for f in present if f.usb is not None] or [f.device for f in present if _is_plugged(f.device)]


def _is_plugged(device: str) -> bool:
    """Return whether a device without USB is probably real; Linux lists ``/dev/ttyS*`` also without hardware."""
    return sys.platform != "linux" or not device.startswith("/dev/ttyS")


def is_device(name: str) -> bool:
    """Return whether a located port is a device of this machine, and not a URL."""
    return "://" not in name


def is_there(device: str) -> bool:
    """Return whether a device exists, without opening it; always True on other systems than POSIX."""
    return os.name != "posix" or os.path.exists(device)  # noqa: PTH110 - a Path would add nothing
