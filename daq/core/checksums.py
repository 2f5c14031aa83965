"""Checksums of lines and frames, by the names of the public catalogues.

A CRC is given by width, polynomial, start value, bit order and final XOR (the parameters of Williams, "A painless guide
to CRC error detection algorithms", 1993).  `xor`, `sum` and `lrc` are one byte: XOR of all bytes, their sum modulo
256, and the two's complement of that sum (Modbus over serial line V1.02, 2.5.2.2).
"""

from binascii import crc32, crc_hqx
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final


@dataclass(frozen=True, slots=True)
class Checksum:
    """One kind of checksum."""

    size: int
    """Length of the checksum, bytes."""
    of: Callable[[bytes], int]
    """Function that computes the checksum of its argument."""


def _table(polynomial: int, width: int, *, reflected: bool) -> tuple[int, ...]:
    """Return the table of the byte-wise CRC: for each value of a byte, the register after eight shifts."""
    if reflected:
        mirrored = int(f"{polynomial:0{width}b}"[::-1], 2)
        return tuple(_shifted_right(byte, mirrored) for byte in range(256))
    return tuple(_shifted_left(byte << (width - 8), polynomial, width) for byte in range(256))


def _shifted_right(register: int, polynomial: int) -> int:
    for _ in range(8):
        register = register >> 1 ^ (polynomial if register & 1 else 0)
    return register


def _shifted_left(register: int, polynomial: int, width: int) -> int:
    for _ in range(8):
        register = register << 1 ^ (polynomial if register >> (width - 1) & 1 else 0)
    return register & (1 << width) - 1


def _mirrored_crc(polynomial: int, width: int, *, start: int, final: int = 0) -> Callable[[bytes], int]:
    """Return the function of a CRC that takes the lowest bit of each byte first."""
    table = _table(polynomial, width, reflected=True)

    def of(data: bytes) -> int:
        register = start
        for byte in data:
            register = register >> 8 ^ table[(register ^ byte) & 0xFF]
        return register ^ final

    return of


def _crc8(data: bytes) -> int:
    register = 0
    for byte in data:
        register = _CRC8[register ^ byte]
    return register


_CRC8: Final = _table(0x07, 8, reflected=False)

CHECKSUMS: Final[dict[str, Checksum]] = {
    "xor": Checksum(1, lambda data: reduce(xor, data, 0)),
    "sum": Checksum(1, lambda data: sum(data) & 0xFF),
    "lrc": Checksum(1, lambda data: -sum(data) & 0xFF),
    "crc-8": Checksum(1, _crc8),
    "crc-16/modbus": Checksum(2, _mirrored_crc(0x8005, 16, start=0xFFFF)),
    "crc-16/arc": Checksum(2, _mirrored_crc(0x8005, 16, start=0)),
    "crc-16/kermit": Checksum(2, _mirrored_crc(0x1021, 16, start=0)),
    "crc-16/xmodem": Checksum(2, lambda data: crc_hqx(data, 0)),
    "crc-16/ccitt-false": Checksum(2, lambda data: crc_hqx(data, 0xFFFF)),
    "crc-32": Checksum(4, crc32),
    "crc-32c": Checksum(4, _mirrored_crc(0x1EDC6F41, 32, start=0xFFFFFFFF, final=0xFFFFFFFF)),
}
