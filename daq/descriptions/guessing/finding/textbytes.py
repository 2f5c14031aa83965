"""Recognise bytes that are no text."""

from collections.abc import Sequence
from typing import Final

NO_TEXT: Final = (
    "are not text: baud rate or parity were wrong, or the instrument sends frames of bytes, which are described by "
    "hand: `bytes`, in the guide under 'Frames of bytes'"
)
UNIT_SIGNS: Final = b"\xb0\xb5\xb2\xb3\xb7"
"""Signs of units in latin-1: degree, micro, squared, cubed, dot."""
USUAL: Final = b"\t\x01\x02\x03\x06\x15"
"""Control characters of lines of text: tab, SOH, STX, ETX, ACK, NAK."""


def strange(lines: Sequence[bytes]) -> int:
    """Return the number of bytes that are no text: control characters, and bytes beyond ASCII that are no UTF-8."""
    try:
        b"".join(lines).decode("utf-8")
        beyond = 0x100
    except UnicodeDecodeError:
        beyond = 0x80
    return sum((b >= beyond and b not in UNIT_SIGNS) or (b < 0x20 and b not in USUAL) for line in lines for b in line)
