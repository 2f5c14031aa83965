"""A person at `daq bench` on a pseudo-terminal: sends keys and scans, and reads the screen."""

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import termios
import time

from daq.app.screens.bench.bench_keys import KEYS, SEQUENCES
from daq.app.screens.text import width

CONTROL = re.compile(r"\x1b\[([0-9;?]*)([@-~])")
BYTES = {key: sequence for sequence, key in reversed(SEQUENCES.items())}


class Grid:
    """The rows of a terminal that a program draws from its first row on."""

    def __init__(self, columns, rows):
        self.columns, self.rows = columns, rows
        self.lines = [""] * rows
        self.too_wide, self.row, self.column = [], 0, 0

    def feed(self, text):
        at = 0
        while at < len(text):
            found = CONTROL.match(text, at)
            if found:
                if found[2] == "H":
                    self.row = self.column = 0
                elif found[2] == "J":
                    self.lines[self.row + 1 :] = [""] * (self.rows - self.row - 1)
                elif found[2] == "K":
                    self.lines[self.row] = self.lines[self.row][: self.column]
                else:
                    assert found[2] in ("m", "h", "l"), found[0]
                at = found.end()
                continue
            self._character(text[at])
            at += 1

    def _character(self, c):
        if c == "\r":
            self.column = 0
        elif c == "\n":
            self.row += 1
            assert self.row < self.rows, "a row below the terminal"
        else:
            line = self.lines[self.row]
            self.lines[self.row] = line[: self.column] + c + line[self.column + 1 :]
            self.column += 1
            if width(self.lines[self.row][: self.column]) > self.columns:
                self.too_wide.append(self.lines[self.row])

    def text(self):
        return "\n".join(line.rstrip() for line in self.lines).rstrip()


class Person:
    """Runs `daq bench`; `keys` counts the keys that were pressed besides the ids."""

    def __init__(self, lab, bench="bench-1", columns=80, rows=24, seconds=240.0):
        self.keys, self._seconds = 0, seconds
        self.grid = Grid(columns, rows)
        self._terminal, device = pty.openpty()
        fcntl.ioctl(device, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        env = {k: v for k, v in lab.env.items() if k not in ("COLUMNS", "LINES", "NO_COLOR")} | {
            "TERM": "xterm-256color",
            "TZ": "UTC",
        }
        self.process = subprocess.Popen(
            lab.command("bench", bench), stdin=device, stdout=device, stderr=device, env=env, start_new_session=True
        )
        os.close(device)
        lab.processes.append(self.process)
        self._raw = b""

    def read(self, wait=0.1):
        while select.select([self._terminal], [], [], wait)[0]:
            try:
                self._raw += os.read(self._terminal, 65536)
            except OSError:
                return
            # A picture ends with the erasing of what is below it.
            whole, mark, rest = self._raw.rpartition(b"\x1b[J")
            if mark:
                self.grid.feed((whole + mark).decode("utf-8"))
                self._raw = rest
            wait = 0.0

    def until(self, *texts):
        """Read until the screen shows one of some texts, and return the screen."""
        end = time.monotonic() + self._seconds
        while not any(text in self.grid.text() for text in texts):
            assert time.monotonic() < end, f"no {texts} on the screen:\n{self.grid.text()}"
            assert self.process.poll() is None, (
                f"ended with {self.process.returncode}:\n{self.grid.text()}\n{self._raw!r}"
            )
            self.read()
        return self.grid.text()

    def scan(self, text):
        os.write(self._terminal, text.encode() + b"\r")

    def send(self, data):
        os.write(self._terminal, data)

    def press(self, command):
        self.keys += 1
        os.write(self._terminal, BYTES[KEYS[command]])

    def leave(self):
        os.write(self._terminal, BYTES[KEYS["leave"]])
        self._end()

    def _end(self):
        end = time.monotonic() + self._seconds
        while self.process.poll() is None:
            assert time.monotonic() < end
            self.read()
        os.close(self._terminal)
