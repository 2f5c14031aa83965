"""Run one simulated instrument as a process: `python -m simulators.host rotational --pty LINK`.

Prints one line, `ready <address>`, when a host can connect. Ends on `quit`, SIGTERM, SIGINT, or with its parent.
"""

import argparse
import math
import os
import select
import signal
import socket
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from simulators.commands import Commander
from simulators.control import ControlSocket
from simulators.kinds import KINDS, all_options, made
from simulators.links import Link, PtyLink, TcpLink
from simulators.misbehaviour import Misbehaving

# Limits the work of catching up, and the time a simulator outlives its parent.
LONGEST_WAIT_S = 0.5


class Host:
    """One thread that serves a link and a control socket; simulated time is the monotonic clock times the scale."""

    def __init__(self, device: Misbehaving, link: Link, control: Path | None, scale: float) -> None:
        self._device, self._link, self._scale = device, link, scale
        self._commander = Commander(device, link)
        self._control = ControlSocket(control, self._command) if control else None
        self._start_ns = time.monotonic_ns()
        self._simulated_ns = 0
        self._stopping = False
        self._waking, self._woken = socket.socketpair()
        self._waking.setblocking(False)

    def stop(self) -> None:
        """Request the end of the loop; safe in a signal handler."""
        self._stopping = True
        self._waking.send(b"\0")

    def run(self) -> None:
        """Serve until `stop` is called or the parent ends; then remove link and socket."""
        parent = os.getppid()
        try:
            self._link.plug()
            sys.stdout.write(f"ready {self._link.address}\n")
            sys.stdout.flush()
            while not self._stopping and os.getppid() == parent:
                self._catch_up()
                self._wait()
                self._catch_up()
                if self._control:
                    self._control.serve()
                received = self._link.read()
                if received:
                    self._send(self._device.receive(received))
        finally:
            self._link.unplug()
            if self._control:
                self._control.close()

    def _catch_up(self) -> None:
        now_ns = int((time.monotonic_ns() - self._start_ns) * self._scale)
        self._send(self._device.advance((now_ns - self._simulated_ns) / 1e9))
        self._simulated_ns = now_ns

    def _wait(self) -> None:
        due_s, idle_s = self._device.due_in_s(), self._link.idle_wait_s()
        waits = [LONGEST_WAIT_S]
        if due_s is not None:
            waits.append(due_s / self._scale)
        if idle_s is not None:
            waits.append(idle_s)
        poll = select.poll()
        control = self._control.descriptors() if self._control else []
        for descriptor in [self._woken.fileno(), *self._link.descriptors(), *control]:
            poll.register(descriptor, select.POLLIN)
        poll.poll(max(math.ceil(min(waits) * 1e3), 1))

    def _send(self, data: bytes) -> None:
        if data:
            self._link.write(data)

    def _command(self, line: str) -> str:
        if line == "quit":
            self._stopping = True
            return "done"
        return self._commander.execute(line)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a simulator from the command line and return the exit code."""
    options = _parser().parse_args(arguments)
    try:
        scale = above_zero("--time-scale", options.time_scale)
        instrument = made(options)
        link: Link = PtyLink(options.pty) if options.pty else TcpLink(*_address(options.tcp))
        host = Host(Misbehaving(instrument, options.seed), link, options.control, scale)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: host.stop())
        host.run()
    except (OSError, ValueError) as error:
        sys.stderr.write(f"simulators.host: {error}\n")
        return 1
    return 0


def _parser() -> argparse.ArgumentParser:
    kinds = "\n".join(f"  {name:<21} {kind.title}" for name, kind in KINDS.items())
    parser = argparse.ArgumentParser(
        prog="python -m simulators.host",
        description=f"{__doc__}\nkinds:\n{kinds}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("kind", choices=list(KINDS), metavar="KIND", help="see above")
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--pty", type=Path, metavar="LINK", help="symbolic link to the pseudo-terminal")
    where.add_argument("--tcp", metavar="HOST:PORT", help="address to listen on; port 0 lets the system choose")
    parser.add_argument("--seed", type=int, default=1, help="seed of the instrument's errors and noise")
    parser.add_argument("--serial", help="serial number of the instrument")
    parser.add_argument("--time-scale", type=float, default=1.0, metavar="F", help="simulated seconds per second")
    parser.add_argument("--control", type=Path, metavar="PATH", help="Unix socket for commands while it runs")
    for option in all_options().values():
        owners = ", ".join(name for name, kind in KINDS.items() if option in kind.options)
        text = f"{option.help} (default {option.default}; {owners})"
        parser.add_argument(option.flag, choices=option.choices or None, metavar=option.metavar, help=text)
    return parser


def above_zero(flag: str, value: float) -> float:
    """Return the value of an option that must be finite and above zero.

    Raises:
        ValueError: it is not.
    """
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"{flag} must be above 0, got {value}")
    return value


def _address(text: str) -> tuple[str, int]:
    host, mark, port = text.rpartition(":")
    if not mark or not port.isdigit() or int(port) > 65535:
        raise ValueError(f"--tcp needs HOST:PORT, got {text!r}")
    return host, int(port)


if __name__ == "__main__":
    sys.exit(main())
