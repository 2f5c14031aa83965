"""Order the bytes of numbers in registers of 16 bits; numbers of sign and magnitude."""

import math

from daq.core.arguments import require_count, require_finite
from daq.core.errors import ArgumentError


def ordered(raw: bytes, *, low_word_first: bool, low_byte_first: bool) -> bytes:
    """Return the bytes of a number, the most significant first, in an order of words and bytes; and back.

    Both are the same exchange. With both options all bytes are reversed, also those of a number of 24 bits.
    """
    words = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if low_byte_first:
        words = [word[::-1] for word in words]
    return b"".join(reversed(words) if low_word_first else words)


def from_sign_and_magnitude(raw: bytes) -> float:
    """Return the whole number in bytes, the first of them with its sign in the highest bit; the sign alone is -0.0."""
    number, top = int.from_bytes(raw, "big"), 1 << 8 * len(raw) - 1
    return -0.0 if number == top else number if number < top else top - number


def to_sign_and_magnitude(number: float, size: int) -> bytes:
    """Return `size` bytes of a number rounded to a whole one, its sign in the highest bit; -0.0 is the sign alone.

    Raises:
        ArgumentError: the number is not finite, or its magnitude does not fit.
    """
    require_finite("number", number)
    require_count("size", size, 1, 8, of="bytes")
    top, whole = 1 << 8 * size - 1, round(float(number))
    if abs(whole) >= top:
        raise ArgumentError(f"{whole} does not fit in {size} bytes with a sign", key="number")
    return (abs(whole) + top * (math.copysign(1.0, number) < 0 and (whole < 0 or number == 0))).to_bytes(size, "big")
