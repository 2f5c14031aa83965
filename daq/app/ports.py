"""Looks at the ports of instruments without disturbing whoever measures on them."""

import errno
import fcntl
import os
import pwd
import socket
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from daq.adapters.store_checks import Finding
from daq.methods.instrument import Instrument

NETWORK_S: Final = 3.0


def check_port(instrument: Instrument, *, daemon: int | None = None) -> Finding:
    """Whether an instrument's port is there, may be opened and is free.

    Args:
        instrument: its file.
        daemon: pid of a daemon that serves this configuration and so may hold the port; None where none does.
    """
    name = f"port of {instrument.name}"
    port = instrument.port
    if "://" in port:
        return _network_port(name, port)
    if not os.path.exists(port):  # noqa: PTH110 - the plain question
        near = ", ".join(serial_devices()) or "none"
        do = f"plug in the cable, or change 'port' in {instrument.source} (devices now: {near})"
        return Finding(False, name, f"{port}: there is no such device", do)
    try:
        fd = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        return _not_opened(name, port, error, daemon)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return _held(name, port, daemon)
    finally:
        os.close(fd)
    return Finding(True, name, f"{port} is there and free")


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


def _network_port(name: str, port: str) -> Finding:
    where = urlsplit(port)
    try:
        host, number = where.hostname, where.port
    except ValueError:
        host, number = None, None
    if where.scheme != "socket" or host is None or number is None:
        return Finding(True, name, f"{port} is not looked at")
    try:
        with socket.create_connection((host, number), NETWORK_S):
            return Finding(True, name, f"{port} answers")
    except OSError as error:
        do = "check that the instrument or its converter is on, its address, and the network"
        return Finding(False, name, f"{port} does not answer: {error.strerror or error}", do)


def serial_devices() -> list[str]:
    """Serial devices of this machine, by stable names where there are any."""
    by_id = sorted(str(p) for p in Path("/dev/serial/by-id").glob("*"))
    return by_id or sorted(str(p) for kind in ("ttyUSB", "ttyACM") for p in Path("/dev").glob(f"{kind}*"))


def holders_of(port: str) -> list[int]:
    """Processes that have a device open, as far as this user may see them."""
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
        return "gone meanwhile"


def _group(port: str) -> str:
    try:
        return Path(port).group()
    except (OSError, KeyError):
        return "dialout"


def user_name(uid: int) -> str:
    """Name of a user by number, as far as this machine knows it."""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"
