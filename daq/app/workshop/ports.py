"""Check the ports of instruments without disturbing a measurement on them."""

import errno
import os
import socket
from pathlib import Path
from typing import Final

from daq.adapters.ports.resolving import devices, is_device, is_there, locate, names
from daq.adapters.store.checks import Finding
from daq.core.errors import LinkError, SettingError
from daq.core.portname import network_place
from daq.methods.files.instrument import Instrument

try:
    import fcntl
    import pwd
except ImportError:  # not a POSIX system: an occupied port is noticed only when it is opened
    fcntl = None  # type: ignore[assignment]
    pwd = None  # type: ignore[assignment]

NETWORK_S: Final = 3.0
"""Longest wait for an answer over the network, s."""


def check_port(instrument: Instrument, *, daemon: int | None = None) -> Finding:
    """Check that an instrument's port exists, can be opened and is free.

    Args:
        instrument: its file.
        daemon: pid of the daemon that serves this configuration and may hold the port; None if none runs.
    """
    name = f"port of {instrument.name}"
    port = instrument.port
    change = f"plug in the cable, or change 'port' in {instrument.source}"
    try:
        device = locate(port)
    except LinkError as error:
        return Finding(False, name, str(error), change)
    if not is_device(device):
        return _network_port(name, port, daemon)
    if not is_there(device):
        return Finding(
            False, name, f"{port}: there is no such device", f"{change} (devices now: {', '.join(names()) or 'none'})"
        )
    real = os.path.realpath(device)
    return _device(name, device, port if real == port else f"{port} ({real})", daemon)


def what_to_do(port: str) -> str:
    """Return what a person can do about a port that could not be opened; "" if that is not known."""
    try:
        device = locate(port)
    except LinkError:
        return ""  # the error itself lists the devices
    if not is_device(device):
        try:
            place = network_place(port)
        except SettingError as error:
            return error.reason
        if place is None:
            return "write /dev/NAME, usb:VENDOR:PRODUCT[:SERIAL], socket://HOST:PORT or rfc2217://HOST:PORT"
        return "check that the instrument or its converter is on, its address, and the network"
    if not is_there(device):
        return f"devices now: {', '.join(names()) or 'none'}"
    if not Path(device).is_char_device():
        return f"this is no serial device; devices now: {', '.join(names()) or 'none'}"
    found = _device("", device, port, None)
    return "" if found.ok else f"{found.say}: {found.do}"


def _device(name: str, device: str, shown: str, daemon: int | None) -> Finding:
    if fcntl is None:
        return Finding(True, name, f"{shown}; not checked if it is free")
    try:
        fd = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        return _not_opened(name, device, error, daemon)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return _held(name, device, daemon)
    finally:
        os.close(fd)
    return Finding(True, name, f"{shown} exists and is free")


def _not_opened(name: str, port: str, error: OSError, daemon: int | None) -> Finding:
    if error.errno == errno.EBUSY:
        return _held(name, port, daemon)
    if error.errno in (errno.EACCES, errno.EPERM):
        group = _group(port)
        user = user_name(os.geteuid())
        do = f"run: sudo usermod -aG {group} {user}  (and log in anew), or install the udev rule of the examples"
        return Finding(False, name, f"{port}: {user} may not open it", do)
    return Finding(False, name, f"{port}: cannot be opened: {error.strerror}", "unplug it and plug it in again")


def _held(name: str, port: str, daemon: int | None) -> Finding:
    pids = holders_of(port)
    if daemon is not None and (not pids or daemon in pids):
        return Finding(True, name, f"{port} is held by the daemon (process {daemon})")
    who = ", ".join(f"process {pid} ({_program(pid)})" for pid in pids) or "another program (perhaps of another user)"
    return Finding(False, name, f"{port} is held by {who}", "end that program, or serve the instrument from there")


def _network_port(name: str, port: str, daemon: int | None) -> Finding:
    place = network_place(port)
    if place is None:
        return Finding(True, name, f"{port} is not checked")
    if daemon is not None:
        # Many converters serve one connection at a time, and the daemon has it.
        return Finding(True, name, f"{port} is left to the daemon (process {daemon})")
    try:
        with socket.create_connection(place, NETWORK_S):
            return Finding(True, name, f"{port} answers")
    except OSError as error:
        do = "check that the instrument or its converter is on, its address, and the network"
        return Finding(False, name, f"{port} does not answer: {error.strerror or error}", do)


def serial_devices() -> Finding:
    """Return a finding with the devices that are plugged in, by the names that a file can use."""
    stable = set(names())
    plugged = sorted(stable | {f"{f.usb} ({f.device})" for f in devices() if f.usb is not None} - stable)
    return Finding(True, "serial devices", ", ".join(plugged) or "none is plugged in")


def holders_of(port: str) -> list[int]:
    """Return the processes that have a device open, as far as this user can see them."""
    device = os.path.realpath(port)
    found = set()
    for link in Path("/proc").glob("[0-9]*/fd/*"):
        try:
            if os.readlink(link) == device:  # noqa: PTH115 - the text of the link is compared
                found.add(int(link.parts[2]))
        except OSError:
            continue
    return sorted(found - {os.getpid()})


def _program(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/comm").read_text("utf-8", "replace").strip()
    except OSError:
        return "has ended"


def _group(port: str) -> str:
    try:
        return Path(port).group()
    except (OSError, KeyError):
        return "dialout"


def user_name(uid: int) -> str:
    """Return the name of a user by number; ``user NUMBER`` if this machine has no name for it."""
    try:
        return pwd.getpwuid(uid).pw_name
    except (KeyError, AttributeError):
        return f"user {uid}"
