"""Numbers whose mark may be a decimal mark or a mark between thousands: ``1,050`` is 1.05 or 1050."""

import re
from typing import Final

_EITHER: Final = re.compile(r"[+-]?(?!0[.,])[0-9]{1,3}[.,][0-9]{3}")


def may_be_thousands(number: str) -> bool:
    """Return True for a number of one mark with exactly three digits behind it and one to three before it.

    No mark between thousands is behind a single zero (``0.998``), behind more than three digits, or before an exponent.
    """
    return _EITHER.fullmatch(number.strip()) is not None


def two_ways(number: str) -> str:
    """Return how to write a number of `may_be_thousands` so that it has one meaning, for a person."""
    number = number.strip()
    whole = number.replace(",", "").replace(".", "")
    return f"{number!r} may be {number}0 or {whole}: write one of the two"
