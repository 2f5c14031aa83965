"""Report readiness and watchdog signals to systemd."""

import contextlib
import os
import socket


def notify(message: str) -> None:
    """Send `message` to systemd (sd_notify protocol), for example ``READY=1``; do nothing where it does not listen."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.connect(address)
        s.sendall(message.encode())


def watchdog_interval_s() -> float | None:
    """Return the interval (s) of watchdog signals, half of the limit that systemd sets; None without a watchdog."""
    limit = os.environ.get("WATCHDOG_USEC")
    if not limit or os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    return int(limit) / 2e6
