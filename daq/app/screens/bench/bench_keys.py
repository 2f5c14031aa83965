"""The keys of a bench: commands are function keys, which no bar-code scanner sends alone.  Pure.

A scanner types the characters of its code and ends with Enter or Tab.  A code can hold every ASCII character, control
characters and Escape included (ISO/IEC 15417, code set A), so no letter, digit, Enter or Ctrl key is a command.
Function keys are sequences after an Escape, and a code could spell one.  Hence a command counts only where its sequence
arrives alone: `GAP_S` without another byte before it and after it.  A scanner sends more than one key in that time.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

GAP_S: Final = 0.05
"""Time (s) without a byte that separates two keys of a person; scanners send a character every few ms."""
LONGEST_TEXT: Final = 200
"""Greatest number of characters of a text."""

KEYS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "confirm": "F2",
        "next": "F3",
        "same": "F4",
        "fresh": "F5",
        "bath": "F5",
        "remark": "F6",
        "damage": "F7",
        "skip": "F8",
        "back": "F9",
        "leave": "F10",
        "stop": "F12",
    }
)
"""Name of the key by command.  F1 (help) and F11 (full screen) belong to the terminal."""
SEQUENCES: Final[Mapping[bytes, str]] = MappingProxyType(
    {
        **{b"\x1bO" + bytes([80 + n]): f"F{n + 1}" for n in range(4)},
        **{b"\x1b[[" + bytes([65 + n]): f"F{n + 1}" for n in range(5)},
        **{
            b"\x1b[%d~" % code: f"F{number}"
            for number, code in enumerate((11, 12, 13, 14, 15, 17, 18, 19, 20, 21, 23, 24), 1)
        },
    }
)
"""Key by its sequence on xterm (F1 to F4 after ESC O), on the Linux console (F1 to F5 after ESC [[), and elsewhere."""
ENTER: Final = b"\r\n"
ERASE: Final = b"\x7f\x08"


@dataclass(frozen=True, slots=True)
class Typed:
    """One input of a person: a key, or a text that Enter has ended."""

    kind: Literal["key", "text"]
    value: str


class Keyboard:
    """The bytes of a terminal as keys and texts.  The caller gives the time of each piece, and `settle` after a gap."""

    def __init__(self) -> None:
        self.line = ""
        """Text that is not ended yet."""
        self._burst = b""
        self._last = float("-inf")

    def feed(self, data: bytes, now: float) -> list[Typed]:
        """Take bytes that arrived at `now` (s), and return the inputs that were complete before them."""
        done = self.settle(now)
        self._burst += data
        self._last = now
        return done

    def settle(self, now: float) -> list[Typed]:
        """Return the inputs that are complete at `now` (s); none within `GAP_S` of the newest byte."""
        if not self._burst or now - self._last < GAP_S:
            return []
        burst, self._burst = self._burst, b""
        key = SEQUENCES.get(burst)
        return self._characters(burst) if key is None else [Typed("key", key)]

    def _characters(self, burst: bytes) -> list[Typed]:
        """Add the characters of a burst to the line; sequences and control characters in it are left out."""
        found: list[Typed] = []
        for character in _without_sequences(burst).decode("utf-8", errors="ignore"):
            code = character.encode("utf-8", errors="ignore")
            if code and code in ENTER:
                found += [Typed("text", self.line.strip())] if self.line.strip() else []
                self.line = ""
            elif code and code in ERASE:
                self.line = self.line[:-1]
            elif character.isprintable():
                self.line = (self.line + character)[:LONGEST_TEXT]
        return found


def _without_sequences(burst: bytes) -> bytes:
    """Return bytes without the sequences of keys in them, such as those of arrows."""
    out, at = bytearray(), 0
    while at < len(burst):
        if burst[at] != 0x1B:
            out.append(burst[at])
            at += 1
            continue
        at += 1
        if burst[at : at + 1] == b"[":
            at += 2 if burst[at + 1 : at + 2] == b"[" else 1
            while at < len(burst) and not 0x40 <= burst[at] <= 0x7E:
                at += 1
            at += 1
        elif burst[at : at + 1] == b"O":
            at += 2
    return bytes(out)


def command_of(key: str, commands: tuple[str, ...]) -> str:
    """Return the command of a key among those that a bench takes now, or ""."""
    return next((c for c in commands if KEYS.get(c) == key), "")
