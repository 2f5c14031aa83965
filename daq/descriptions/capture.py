r"""Capture files: the bytes of a serial line in both directions, with times, as plain text.

Each line has one piece: seconds since the start, direction, bytes::

    # daq capture 1
    # port: /dev/serial/by-id/usb-scale
        0.000000 > mass?\r\n
        0.031250 < mass=12.304 g\r\n
        0.031300 = 12.304 g

``>`` is sent to the instrument, ``<`` is received from it, ``=`` is the text on its display at that time (entered by a
person), ``#`` is a remark.  Printable ASCII is written as it is, a backslash as ``\\``, other bytes as ``\r``, ``\n``,
``\t`` or ``\xHH``; a space at either end as ``\x20``.  A last line without an end is incomplete and is ignored.
"""

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from daq.core.errors import SettingError
from daq.textfiles.plain_file import read_plain

FIRST_LINE: Final = "# daq capture 1"
LARGEST: Final = 50_000_000
"""Greatest size of a capture file, bytes."""
Way = Literal[">", "<", "="]
_PIECE: Final = re.compile(r"\s*(\d{1,9}(?:\.\d{1,9})?) ([<>=])(?: (.*))?")
_REMARK: Final = re.compile(r"# ([a-z ]{1,20}): (.*)")
_ESCAPE: Final = re.compile(r"\\(\\|r|n|t|x[0-9A-Fa-f]{2})|(.)", re.DOTALL)
_NAMED: Final = {"\\": 0x5C, "r": 0x0D, "n": 0x0A, "t": 0x09}
_WRITTEN: Final = {0x5C: "\\\\", 0x0D: "\\r", 0x0A: "\\n", 0x09: "\\t"}


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes in one direction at one time (ns since the start); for ``=`` the text in UTF-8."""

    t: int
    way: Way
    data: bytes


@dataclass(slots=True)
class Capture:
    """A capture.

    Attributes:
        pieces: in order of time.
        about: remarks such as port and settings, by name.
        cut: True where the file ends within a line.
    """

    pieces: list[Piece] = field(default_factory=list)
    about: dict[str, str] = field(default_factory=dict)
    cut: bool = False

    @property
    def received(self) -> bytes:
        """All bytes from the instrument, joined."""
        return b"".join(p.data for p in self.pieces if p.way == "<")

    @property
    def sent(self) -> list[bytes]:
        """Bytes sent to the instrument, piece by piece."""
        return [p.data for p in self.pieces if p.way == ">"]

    @property
    def shown(self) -> list[tuple[int, str]]:
        """Texts of the display: time (ns) and text."""
        return [(p.t, p.data.decode("utf-8", "replace")) for p in self.pieces if p.way == "="]

    def text(self) -> str:
        """Return the text of the file."""
        head = [FIRST_LINE, *(f"# {key}: {value}" for key, value in self.about.items())]
        return "\n".join([*head, *(piece_line(p) for p in self.pieces), ""])


def escaped(data: bytes) -> str:
    """Return bytes as they are written in a capture file."""
    text = "".join(_WRITTEN.get(b) or (chr(b) if 0x20 <= b < 0x7F else f"\\x{b:02X}") for b in data)
    core = text.strip(" ")
    left = len(text) - len(text.lstrip(" ")) if core else len(text)
    right = len(text) - len(text.rstrip(" ")) if core else 0
    return "\\x20" * left + core + "\\x20" * right


def unescaped(text: str) -> bytes:
    """Return the bytes of a text written by `escaped` or entered by a person.

    Raises:
        ValueError: an unknown escape, or a character beyond ASCII.
    """
    out = bytearray()
    for found in _ESCAPE.finditer(text):
        name, char = found.groups()
        if name is not None:
            out.append(_NAMED[name] if name in _NAMED else int(name[1:], 16))
        elif char == "\\":
            raise ValueError(
                f"unknown escape at {text[found.start() : found.start() + 4]!r}; known: \\\\ \\r \\n \\t \\xHH"
            )
        elif ord(char) > 0x7E or ord(char) < 0x20:
            raise ValueError(f"{char!r} is not printable ASCII; write it as \\xHH")
        else:
            out.append(ord(char))
    return bytes(out)


def piece_line(piece: Piece) -> str:
    """Return one piece as a line of the file, without its end."""
    text = escaped(piece.data) if piece.way != "=" else " ".join(piece.data.decode("utf-8", "replace").split())
    return f"{piece.t // 1_000_000_000:>5}.{piece.t // 1000 % 1_000_000:06} {piece.way} {text}"


def load_capture(path: Path) -> Capture:
    """Read a capture file.

    Raises:
        SettingError: there is no such file, it cannot be read, or a line is wrong; the first wrong line is named.
    """
    data = read_plain(path, LARGEST, what="a capture", found="there is no such file; make one with `daq capture`")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise SettingError("is no capture: it is not text in UTF-8", file=str(path)) from None
    return read_capture(text, str(path))


def read_capture(text: str, name: str) -> Capture:
    """Read a capture from the text of its file.

    Raises:
        SettingError: the first wrong line, with its number.
    """
    lines = text.removeprefix("\ufeff").split("\n")
    if lines[0].rstrip("\r") != FIRST_LINE:
        raise SettingError(f"is no capture: its first line must be {FIRST_LINE!r}", file=name, key="line 1")
    capture = Capture(cut=lines[-1] != "")
    last = 0
    for number, raw in enumerate(lines[1:-1], 2):
        line = raw.rstrip("\r")
        if not line.strip():
            continue
        if line.startswith("#"):
            remark = _REMARK.fullmatch(line)
            if remark:
                capture.about.setdefault(remark[1], remark[2])
            continue
        found = _PIECE.fullmatch(line)
        if found is None:
            reason = "is neither `SECONDS > BYTES`, `SECONDS < BYTES`, `SECONDS = TEXT` nor a remark with #"
            raise SettingError(reason, file=name, key=f"line {number}")
        seconds, way, content = found[1], found[2], found[3] or ""
        whole, _, part = seconds.partition(".")
        t = int(whole) * 1_000_000_000 + int(part.ljust(9, "0") or 0)
        if t < last:
            raise SettingError("is earlier than the line before it", file=name, key=f"line {number}")
        last = t
        try:
            data = content.encode("utf-8") if way == "=" else unescaped(content)
        except ValueError as error:
            raise SettingError(str(error), file=name, key=f"line {number}") from None
        if way == ">":
            capture.pieces.append(Piece(t, ">", data))
        elif way == "<":
            capture.pieces.append(Piece(t, "<", data))
        else:
            capture.pieces.append(Piece(t, "=", data))
    return capture
