"""A pseudo-terminal of a given size, and a screen that interprets the output of a program on it."""

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time

from daq.app.screens.text import width

#: Control sequence introducer with its parameters (ECMA-48), or an operating system command.
SEQUENCE = re.compile(r"\x1b\[([0-9;?]*)([@-~])|\x1b\][^\x07\x1b]*(?:\x07|\x1b\\)|\x1b[()][A-Za-z0-9]|\x1b[=>78]")


class TerminalScreen:
    """Rows of text as a terminal shows them; it records every row that was written beyond its last column."""

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self.lines: list[list[str]] = [[]]
        self.row = self.column = 0
        self.too_wide: list[str] = []
        self.highest = 0
        """Rows of the tallest picture that was redrawn in place: the longest move of the cursor upwards."""
        self.redrawn = 0
        self.seen: list[str] = []
        """The whole screen at the start of each redrawing."""

    def feed(self, text: str) -> None:
        at = 0
        while at < len(text):
            found = SEQUENCE.match(text, at)
            if found:
                self._control(found[1] or "", found[2] or "")
                at = found.end()
                continue
            self._character(text[at])
            at += 1

    def _character(self, c: str) -> None:
        if c == "\r":
            self.column = 0
        elif c == "\n":
            self.row += 1
            while len(self.lines) <= self.row:
                self.lines.append([])
        elif c == "\b":
            self.column = max(0, self.column - 1)
        elif c >= " ":
            size = width(c)
            if self.column + size > self.columns:
                self.too_wide.append("".join(self.lines[self.row]) + c)
            line = self.lines[self.row]
            line += [" "] * (self.column - len(line))
            if size == 0:
                line[-1] += c
                return
            line[self.column : self.column + size] = [c, *[""] * (size - 1)]
            self.column += size

    def _control(self, parameters: str, final: str) -> None:
        count = int(parameters) if parameters.isdecimal() else 1
        if final == "A":
            if count:
                self.seen.append(self.text())
                self.redrawn += 1
            self.row = max(0, self.row - count)
        elif final == "K":
            self.lines[self.row] = [] if parameters == "2" else self.lines[self.row][: self.column]
        assert final in ("", "A", "K", "m", "h", "l"), (
            f"a control sequence that this screen does not support: {final!r}"
        )

    def text(self) -> str:
        return "\n".join("".join(line).rstrip() for line in self.lines)


def drive(
    *args: object, columns: int, rows: int, timeout: float = 60.0, **environment: str
) -> tuple[TerminalScreen, int]:
    """Run `daq` with its arguments on a terminal; return the screen at its end and the exit code."""
    main, device = pty.openpty()
    fcntl.ioctl(device, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    env = {
        k: v
        for k, v in os.environ.items()
        if k not in ("COLUMNS", "LINES", "NO_COLOR", "DAQ_CONFIG", "STATE_DIRECTORY")
    }
    env |= {"TERM": "xterm-256color", "TZ": "UTC", "PYTHONUTF8": "1"} | environment
    screen, raw = TerminalScreen(columns, rows), b""
    command = [sys.executable, "-m", "daq", *map(str, args)]
    with subprocess.Popen(command, stdin=device, stdout=device, stderr=device, env=env) as process:
        os.close(device)
        end = time.monotonic() + timeout
        try:
            while True:
                assert time.monotonic() < end, f"{command} still runs:\n{screen.text()}"
                if select.select([main], [], [], 1.0)[0]:
                    raw += os.read(main, 65536)
                    whole = raw.decode("utf-8", errors="ignore") if _complete(raw) else ""
                    if whole:
                        screen.feed(whole)
                        raw = b""
        except OSError:  # Linux: EIO when the last writer has closed
            pass
        finally:
            if process.poll() is None:
                process.terminate()
        code = process.wait(10)
    os.close(main)
    return screen, code


def _complete(raw: bytes) -> bool:
    """Return True if the bytes do not end in the middle of a character or of a control sequence."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        return False
    last = text.rfind("\x1b")
    return last < 0 or SEQUENCE.match(text, last) is not None
