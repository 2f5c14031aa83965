"""Order the bytes of numbers in registers of 16 bits; numbers of sign and magnitude."""

import math


def ordered(raw: bytes, *, low_word_first: bool, low_byte_first: bool) -> bytes:
    """Return the bytes of a number, the most significant first, in an order of words and bytes; and back.

    Both are the same exchange. With both options all bytes are reversed, also those of a number of 24 bits.
    """
    words = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if low_byte_first:
        words = [word[::-1] for word in words]
    return b"".join(reversed(words) if low_word_first else words)


def from_sign_and_magnitude(number: int, bits: int) -> float:
    """Return the value of a number whose highest bit is its sign; the sign alone is the float -0.0."""
    top = 1 << bits - 1
    return -0.0 if number == top else number if number < top else top - number


def to_sign_and_magnitude(number: float, bits: int) -> int:
    """Return a number rounded to a whole one, with its sign in the highest bit; -0.0 is the sign alone.

    Raises:
        OverflowError: its magnitude does not fit.
    """
    top, whole = 1 << bits - 1, round(number)
    if abs(whole) >= top:
        raise OverflowError(f"{whole} does not fit in {bits} bits")
    return abs(whole) + top * (whole < 0 or is_negative_zero(number))


def is_negative_zero(number: float) -> bool:
    """Return True for the float -0.0, with which some instruments mark a missing value."""
    return number == 0 and math.copysign(1.0, number) < 0
