"""Checksums of lines and frames, by the names of the public catalogues.

A CRC is given by width, polynomial, initial value, bit order and final XOR (the parameters of Williams, "A painless
guide to CRC error detection algorithms", 1993).  `xor`, `sum` and `lrc` are one byte: XOR of all bytes, their sum
modulo 256, and the two's complement of that sum (Modbus over serial line V1.02, 2.5.2.2).  Any other CRC or sum
is made from its parameters by `crc` and `sum_of_bytes`.
"""

from binascii import crc32, crc_hqx
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final, Literal

from daq.core.arguments import require_count
from daq.core.errors import ArgumentError


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
        return tuple(_shifted_right(byte, _mirrored(polynomial, width)) for byte in range(256))
    return tuple(_shifted_left(byte << (width - 8), polynomial, width) for byte in range(256))


def _shifted_right(register: int, polynomial: int) -> int:
    for _ in range(8):
        register = register >> 1 ^ (polynomial if register & 1 else 0)
    return register


def _shifted_left(register: int, polynomial: int, width: int) -> int:
    for _ in range(8):
        register = register << 1 ^ (polynomial if register >> (width - 1) & 1 else 0)
    return register & (1 << width) - 1


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def crc(
    width: int,
    polynomial: int,
    *,
    initial: int = 0,
    reflected: bool = False,
    reflected_out: bool | None = None,
    final: int = 0,
) -> Checksum:
    """Return the CRC with these parameters of the public catalogue.

    Args:
        width: number of bits, 8 to 64.
        polynomial: without its highest term, the highest power first.
        initial: value of the register before the first byte, as the catalogue gives it (not reflected).
        reflected: whether each byte goes in with its lowest bit first.
        reflected_out: whether the register is reversed before `final`; None: as `reflected`.
        final: value that the register is combined with at the end, by exclusive or.

    Raises:
        ArgumentError: the width is not allowed, or a number does not fit into it.
    """
    require_count("width", width, 8, 64, of="bits")
    for name, number in (("polynomial", polynomial), ("initial", initial), ("final", final)):
        if isinstance(number, bool) or not isinstance(number, int) or number < 0 or number >> width:
            raise ArgumentError(f"must be a whole number of {width} bits", key=name)
    out = reflected if reflected_out is None else reflected_out
    if (width, polynomial, reflected, out) == (16, 0x1021, False, False):
        if not final:
            return Checksum(2, lambda data: crc_hqx(data, initial))
        return Checksum(2, lambda data: crc_hqx(data, initial) ^ final)
    if (width, polynomial, initial, reflected, out, final) == (32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF):
        return Checksum(4, crc32)
    table = _table(polynomial, width, reflected=reflected)
    size, shift, mask = (width + 7) // 8, width - 8, (1 << width) - 1

    if reflected:
        start = _mirrored(initial, width)

        def of(data: bytes) -> int:
            register = start
            for byte in data:
                register = register >> 8 ^ table[(register ^ byte) & 0xFF]
            return (register if out else _mirrored(register, width)) ^ final

    else:

        def of(data: bytes) -> int:
            register = initial
            for byte in data:
                register = (register << 8 & mask) ^ table[register >> shift ^ byte]
            return (_mirrored(register, width) if out else register) ^ final

    return Checksum(size, of)


def sum_of_bytes(
    modulus: int, *, initial: int = 0, complement: Literal["none", "ones", "twos"] = "none", plus: int = 0
) -> Checksum:
    """Return the sum of all bytes, modulo a number.

    Args:
        modulus: 2 to 2**32: 256 for one byte, 100 for two decimal digits.
        initial: value to which the bytes are added.
        complement: `ones` gives `modulus` - 1 - sum, `twos` gives -sum, both modulo `modulus`.
        plus: added to the result, which makes it a printable character: modulus 64, plus 32.
    """
    size = ((modulus - 1 + plus).bit_length() + 7) // 8
    if complement == "twos":
        return Checksum(size, lambda data: -(sum(data) + initial) % modulus + plus)
    if complement == "ones":
        return Checksum(size, lambda data: modulus - 1 - (sum(data) + initial) % modulus + plus)
    return Checksum(size, lambda data: (sum(data) + initial) % modulus + plus)


CHECKSUMS: Final[dict[str, Checksum]] = {
    "xor": Checksum(1, lambda data: reduce(xor, data, 0)),
    "sum": sum_of_bytes(256),
    "lrc": sum_of_bytes(256, complement="twos"),
    "crc-8": crc(8, 0x07),
    "crc-16/modbus": crc(16, 0x8005, initial=0xFFFF, reflected=True),
    "crc-16/arc": crc(16, 0x8005, reflected=True),
    "crc-16/kermit": crc(16, 0x1021, reflected=True),
    "crc-16/xmodem": crc(16, 0x1021),
    "crc-16/ccitt-false": crc(16, 0x1021, initial=0xFFFF),
    "crc-32": crc(32, 0x04C11DB7, initial=0xFFFFFFFF, reflected=True, final=0xFFFFFFFF),
    "crc-32c": crc(32, 0x1EDC6F41, initial=0xFFFFFFFF, reflected=True, final=0xFFFFFFFF),
}
