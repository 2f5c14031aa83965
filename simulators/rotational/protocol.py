"""Line protocol of the instrument: lines with a checksum in both directions. See `LineServer`."""

import binascii
import re
from typing import Protocol

END = b"\r\n"
LONGEST_LINE = 96
_NUMBER = re.compile(r"-?\d{1,9}(\.\d{1,9})?")


def checked(text: str) -> bytes:
    """Return a line as sent: text, `#`, CRC-16/XMODEM as four upper-case hex digits, CR LF."""
    raw = text.encode("ascii")
    return b"%s#%04X\r\n" % (raw, binascii.crc_hqx(raw, 0))


def text_of(line: bytes) -> str | None:
    """Return the text of a line without its end; None where its checksum is missing or wrong."""
    raw, mark, digits = line.rpartition(b"#")
    if not mark or digits != b"%04X" % binascii.crc_hqx(raw, 0):
        return None
    return raw.decode("latin-1")


class Commands(Protocol):
    """Commands of the protocol; each returns the text of the answer."""

    def who(self) -> str:
        """Kind, serial, firmware and full scale."""
        ...

    def read(self) -> str:
        """The latest values."""
        ...

    def set_speed(self, per_min: float) -> str:
        """Take a speed set-point."""
        ...

    def turn(self) -> str:
        """Start the motor."""
        ...

    def halt(self) -> str:
        """Stop the motor."""
        ...

    def zero(self) -> str:
        """Take the present torque as zero."""
        ...

    def stream(self, interval_ms: float) -> str:
        """Send values unasked at an interval (ms), or stop doing so (0)."""
        ...

    def set_bath(self, celsius: float) -> str:
        """Take a bath set-point."""
        ...


class LineServer:
    """Splits received bytes into lines, checks them and answers each."""

    def __init__(self, commands: Commands) -> None:
        self._commands = commands
        self._pending = b""
        self._too_long = False

    def receive(self, data: bytes) -> bytes:
        """Take bytes and answer every complete line. The answer to a line that is too long is `no checksum`."""
        *lines, self._pending = (self._pending + data).split(END)
        answers = []
        for line in lines:
            text = None if self._too_long or len(line) + len(END) > LONGEST_LINE else text_of(line)
            self._too_long = False
            answers.append(checked("no checksum" if text is None else self._answer(text)))
        if len(self._pending) > LONGEST_LINE:
            # The last byte is kept because it may be the CR of the line end.
            self._pending, self._too_long = self._pending[-1:], True
        return b"".join(answers)

    def _answer(self, text: str) -> str:
        commands = self._commands
        plain = {
            "who": commands.who,
            "read": commands.read,
            "turn": commands.turn,
            "halt": commands.halt,
            "zero": commands.zero,
        }
        if text in plain:
            return plain[text]()
        word, _, number = text.partition(" ")
        with_number = {"speed": commands.set_speed, "bath": commands.set_bath, "stream": commands.stream}
        if word in with_number and _NUMBER.fullmatch(number):
            return with_number[word](float(number))
        return "no command"
