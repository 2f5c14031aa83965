"""Checksums that are tried at the end of lines: those with a name, CRCs of the public catalogue, and further sums.

The parameters of a CRC are width, polynomial, initial value, bit order and final exclusive or (Williams, "A painless
guide to CRC error detection algorithms", 1993); each is tested with its check value, the CRC of ``123456789``.
"""

import math
from dataclasses import dataclass
from typing import Final

from daq.core.checksums import CHECKSUMS, Checksum, crc, sum_of_bytes


@dataclass(frozen=True, slots=True)
class Algorithm:
    """One kind of checksum with its keys in a description.

    Attributes:
        checksum: its size and function.
        keys: the line of the table `[checksum]` that names it.
        values: number of different values.
    """

    checksum: Checksum
    keys: str
    values: int

    @property
    def size(self) -> int:
        """Length, bytes."""
        return self.checksum.size

    @property
    def bits(self) -> float:
        """Evidence of one line for it, bits."""
        return math.log2(self.values)

    @property
    def decimals(self) -> int:
        """Number of decimal digits of its greatest value."""
        return len(str(self.values - 1))


#: Width, polynomial, initial value, reflected, final exclusive or, check value.
CRCS: Final[tuple[tuple[int, int, int, bool, int, int], ...]] = (
    (8, 0x07, 0x00, False, 0x55, 0xA1),
    (8, 0x07, 0xFF, True, 0x00, 0xD0),
    (8, 0x31, 0x00, True, 0x00, 0xA1),
    (8, 0x31, 0xFF, False, 0x00, 0xF7),
    (8, 0x9B, 0xFF, False, 0x00, 0xDA),
    (8, 0x9B, 0x00, True, 0x00, 0x25),
    (8, 0x9B, 0x00, False, 0x00, 0xEA),
    (8, 0x39, 0x00, True, 0x00, 0x15),
    (8, 0xD5, 0x00, False, 0x00, 0xBC),
    (8, 0x2F, 0xFF, False, 0xFF, 0xDF),
    (8, 0x2F, 0x00, False, 0x00, 0x3E),
    (8, 0x1D, 0xFF, False, 0xFF, 0x4B),
    (8, 0x1D, 0xFF, False, 0x00, 0xB4),
    (8, 0x1D, 0xFD, False, 0x00, 0x7E),
    (8, 0x1D, 0x00, False, 0x00, 0x37),
    (8, 0x1D, 0xFF, True, 0x00, 0x97),
    (8, 0xA7, 0x00, True, 0x00, 0x26),
    (16, 0x8005, 0xFFFF, True, 0xFFFF, 0xB4C8),
    (16, 0x8005, 0x0000, True, 0xFFFF, 0x44C2),
    (16, 0x8005, 0x0000, False, 0x0000, 0xFEE8),
    (16, 0x8005, 0xFFFF, False, 0x0000, 0xAEE7),
    (16, 0x8005, 0x800D, False, 0x0000, 0x9ECF),
    (16, 0x0589, 0x0000, False, 0x0001, 0x007E),
    (16, 0x0589, 0x0000, False, 0x0000, 0x007F),
    (16, 0x3D65, 0x0000, True, 0xFFFF, 0xEA82),
    (16, 0x3D65, 0x0000, False, 0xFFFF, 0xC2B7),
    (16, 0x1021, 0xFFFF, False, 0xFFFF, 0xD64E),
    (16, 0x1021, 0x0000, False, 0xFFFF, 0xCE3C),
    (16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
    (16, 0x1021, 0xFFFF, True, 0x0000, 0x6F91),
    (16, 0x1021, 0xB2AA, True, 0x0000, 0x63D0),
    (16, 0x1021, 0x1D0F, False, 0x0000, 0xE5CC),
    (16, 0x1021, 0x89EC, True, 0x0000, 0x26B1),
    (16, 0x1021, 0xC6C6, True, 0x0000, 0xBF05),
    (16, 0xC867, 0xFFFF, False, 0x0000, 0x4C06),
    (16, 0x8BB7, 0x0000, False, 0x0000, 0xD0DB),
    (16, 0xA097, 0x0000, False, 0x0000, 0x0FB3),
    (16, 0x1DCF, 0xFFFF, False, 0xFFFF, 0xA819),
    (32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF, 0xFC891918),
    (32, 0x04C11DB7, 0x00000000, False, 0xFFFFFFFF, 0x765E7680),
    (32, 0x04C11DB7, 0xFFFFFFFF, True, 0x00000000, 0x340BC6D9),
    (32, 0x04C11DB7, 0xFFFFFFFF, False, 0x00000000, 0x0376E6E7),
    (32, 0x000000AF, 0x00000000, False, 0x00000000, 0xBD0BE338),
    (32, 0xF4ACFB13, 0xFFFFFFFF, True, 0xFFFFFFFF, 0x1697D06A),
    (32, 0xA833982B, 0xFFFFFFFF, True, 0xFFFFFFFF, 0x87315576),
    (32, 0x814141AB, 0x00000000, False, 0x00000000, 0x3010BF7F),
    (32, 0x8001801B, 0x00000000, True, 0x00000000, 0x6EC2EDC4),
)
"""CRCs of the public catalogue that have no name in `daq.core.checksums`."""
_SUMS: Final = (
    (256, "ones"), (100, "none"), (100, "twos"), (1000, "none"), (10000, "none"), (65536, "none"), (65536, "ones"),
    (65536, "twos"),
)  # fmt: skip


def _of_crc(width: int, polynomial: int, initial: int, final: int, *, reflected: bool) -> tuple[str, Algorithm]:
    digits = width // 4
    parts = [f"width = {width}", f"polynomial = 0x{polynomial:0{digits}X}"]
    parts += [f"initial = 0x{initial:0{digits}X}"] if initial else []
    parts += ["reflected = true"] if reflected else []
    parts += [f"final = 0x{final:0{digits}X}"] if final else []
    keys = "crc = { " + ", ".join(parts) + " }"
    made = crc(width, polynomial, initial=initial, reflected=reflected, final=final)
    return keys, Algorithm(made, keys, 1 << width)


def _all() -> dict[str, Algorithm]:
    found = {name: Algorithm(kind, f'name = "{name}"', 1 << 8 * kind.size) for name, kind in CHECKSUMS.items()}
    for modulus, complement in _SUMS:
        own = f', complement = "{complement}"' if complement != "none" else ""
        keys = f"sum = {{ modulus = {modulus}{own} }}"
        found[keys] = Algorithm(sum_of_bytes(modulus, complement=complement), keys, modulus)  # type: ignore[arg-type]
    for width, polynomial, initial, reflected, final, _ in CRCS:
        name, made = _of_crc(width, polynomial, initial, final, reflected=reflected)
        found[name] = made
    return found


ALGORITHMS: Final[dict[str, Algorithm]] = _all()
"""Every checksum that is tried, by its name; one without a name has its keys for it."""
