"""Modbus frames on a serial line: RTU (bytes, CRC-16) and ASCII (hexadecimal digits between ``:`` and CR LF, LRC).

Source: Modbus application protocol specification V1.1b3; Modbus over serial line V1.02.
"""

import struct
from typing import Final

from daq.core.checksums import CHECKSUMS

READ_HOLDING: Final = 3
READ_INPUT: Final = 4
WRITE_ONE: Final = 6
WRITE_SEVERAL: Final = 16
LONGEST: Final = 256
"""Bytes of the longest RTU frame."""
EXCEPTIONS: Final = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge, not done yet",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Application protocol V1.1b3, section 7."""
_crc = CHECKSUMS["crc-16/modbus"].of
_lrc = CHECKSUMS["lrc"].of


def rtu(content: bytes) -> bytes:
    """Return address and PDU as an RTU frame, the CRC with its low byte first."""
    return content + struct.pack("<H", _crc(content))


def ascii_frame(content: bytes) -> bytes:
    """Return address and PDU as an ASCII frame."""
    return b":" + (content + bytes([_lrc(content)])).hex().upper().encode() + b"\r\n"


def body_of_rtu(frame: bytes) -> bytes | None:
    """Return address and PDU of an RTU frame; None where its CRC is wrong."""
    return frame[:-2] if len(frame) >= 4 and rtu(frame[:-2]) == frame else None


def body_of_ascii(line: bytes) -> bytes | None:
    """Return address and PDU of an ASCII frame without colon and end; None where it is no frame or its LRC is wrong."""
    if len(line) % 2 or not set(line) <= set(b"0123456789ABCDEF"):
        return None
    frame = bytes.fromhex(line.decode("ascii"))
    return frame[:-1] if len(frame) >= 3 and _lrc(frame[:-1]) == frame[-1] else None


def answer_length(window: bytes) -> int:
    """Return the length of the RTU answer at the start of `window`; 0 where not known yet, -1 where there is none.

    A `daq.core.framing.Measure`.
    """
    if not 1 <= window[0] <= 247:
        return -1
    if len(window) < 2:
        return 0
    function = window[1]
    if function & 0x7F not in (READ_HOLDING, READ_INPUT, WRITE_ONE, WRITE_SEVERAL):
        return -1
    if function & 0x80:
        length = 5
    elif function in (WRITE_ONE, WRITE_SEVERAL):
        length = 8
    elif len(window) < 3:
        return 0
    else:
        length = 5 + window[2]
        if window[2] % 2 or not 2 <= window[2] <= 250:
            return -1
    if len(window) >= length and body_of_rtu(window[:length]) is None:
        return -1
    return length


def read(address: int, function: int, register: int, count: int) -> bytes:
    """Return address and PDU of a request for `count` registers."""
    return struct.pack(">BBHH", address, function, register, count)


def write(address: int, function: int, register: int, words: bytes) -> bytes:
    """Return address and PDU of a write, with function 6 (one register) or 16."""
    if function == WRITE_ONE:
        return struct.pack(">BBH", address, WRITE_ONE, register) + words
    head = struct.pack(">BBHHB", address, WRITE_SEVERAL, register, len(words) // 2, len(words))
    return head + words
