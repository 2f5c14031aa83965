"""The service manager: readiness and signs of life."""

import contextlib
import os
import socket


def notify(message: str) -> None:
    """Tell systemd, where it listens (sd_notify protocol): ``READY=1``, ``WATCHDOG=1``, ``STOPPING=1``."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.connect(address)
        s.sendall(message.encode())


def watchdog_interval_s() -> float | None:
    """Half of the time systemd allows between signs of life; None where it does not watch."""
    limit = os.environ.get("WATCHDOG_USEC")
    if not limit or os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    return int(limit) / 2e6
