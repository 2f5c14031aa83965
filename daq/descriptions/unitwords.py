"""Units as instruments write them: from a word in a line to a UCUM code and a factor."""

import contextlib
import re
from typing import Final

from daq.core.thousands import may_be_thousands
from daq.core.units import ENTRY, UNITS, convert

LETTERS: Final = "A-Za-z\u00b0%\u00b5\u03bc\u03a9\u2126\u00c2\u00ce\u00e2\u0084\u00a6\u00a9\u00bc"
"""Characters of units in a class of a regular expression, and those of their UTF-8 bytes taken for latin-1."""
UNIT_WORD: Final = (
    rf"(?>(?:1/)?[{LETTERS}]+[0-9\u00b2\u00b3]*"
    r"(?:[/.\u00b7][A-Za-z]+[0-9\u00b2\u00b3]*)*)"
)
"""Regular expression of a word that may be a unit."""
SPELLED: Final = {
    "C": "Cel", "degC": "Cel", "\u00b0C": "Cel", "deg": "Cel", "F": "[degF]", "degF": "[degF]", "mPas": "mPa.s",
    "Pas": "Pa.s", "ph": "[pH]", "PH": "[pH]", "ohm": "Ohm", "OHM": "Ohm", "Ohms": "Ohm", "RPM": "/min", "G": "g",
    "KG": "kg", "ML": "mL", "ml": "mL", "percent": "%", "RH": "%",
    "Nm": "N.m", "mNm": "mN.m", "uNm": "uN.m", "\u00b5Nm": "uN.m", "r/min": "/min", "rev/min": "/min", "U/min": "/min",
    "l": "L", "ml/min": "mL/min", "l/min": "L/min", "l/h": "L/h", "\u00b5S/cm": "uS/cm", "us/cm": "uS/cm",
    "\u03a9": "Ohm", "\u2126": "Ohm", "k\u03a9": "kOhm", "k\u2126": "kOhm", "kohm": "kOhm",
}  # fmt: skip
"""Spellings of units by instruments that are neither UCUM codes nor entries of `daq.core.units.ENTRY`."""
SYMBOLS: Final = {unit.symbol: code for code, unit in UNITS.items() if unit.symbol}
"""UCUM codes by the symbol on a screen: a person may copy it into a note of the display."""
PREFIXES: Final = {
    "n": 1e-9, "u": 1e-6, "\u00b5": 1e-6, "\u03bc": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip
"""Prefixes of the SI and their factors (SI brochure, 2019, table 7)."""
PREFIXED: Final = frozenset({"g", "V", "A", "Ohm", "W", "Hz", "Pa", "Pa.s", "N.m", "m", "s", "L"})
"""UCUM codes that are recognised with a prefix."""
NUMBER_WITH_UNIT: Final = re.compile(rf"(?<![\w.,])(\d+(?:[.,]\d+)?)[ ]*({UNIT_WORD})")
"""A number without sign, and the word behind it that may be its unit."""
_WRITTEN: Final = re.compile(r"(?:([0-9]{1,12}(?:\.[0-9]{1,12})?(?:[eE][+-]?[0-9]{1,2})?) )?(\S+)")


def unit_of(word: str) -> str:
    """Return the UCUM code of a unit as an instrument writes it; "" for an unknown one and for one with a factor."""
    code, factor = unit_word(word)
    return code if factor == 1.0 else ""


def unit_word(word: str) -> tuple[str, float]:
    """Return UCUM code and factor of a unit as an instrument writes it: ``MOhm`` is ``("Ohm", 1e6)``; "" if unknown.

    A word of capitals such as ``MG`` or ``MV`` is unknown, because its prefix may be mega or milli.
    """
    if not word.isascii():
        # A line is taken for latin-1; an instrument may send UTF-8.
        with contextlib.suppress(UnicodeError):
            word = word.encode("latin-1").decode("utf-8")
    if word in UNITS:
        return ("", 1.0) if word == "1" else (word, 1.0)
    if word in ENTRY:
        return ENTRY[word]
    if word in SPELLED or word in SYMBOLS:
        return SPELLED.get(word) or SYMBOLS[word], 1.0
    # A display of capitals only writes MG for milligrams, and G may be no unit at all.
    capitals = (word.isascii() and word.isupper() and word[0] == "M") or word[1:] == "G"
    base = unit_of(word[1:]) if word[:1] in PREFIXES and len(word) > 1 and not capitals else ""
    return (base, PREFIXES[word[0]]) if base in PREFIXED else ("", 1.0)


def written_unit(text: str) -> tuple[str, float]:
    """Return UCUM code and factor of a unit in a description: ``kg``, or ``453.59237 g`` for 453.59237 times a gram.

    Raises:
        ValueError: the text is neither.
    """
    found = _WRITTEN.fullmatch(text)
    if found is None or found[2] not in UNITS:
        raise ValueError(f"{text!r} is no UCUM code ('kg') and no multiple of one ('453.59237 g')")
    factor = float(found[1] or 1)
    if not 1e-30 <= factor <= 1e30:
        raise ValueError(f"{text!r}: the factor must be between 1e-30 and 1e+30")
    return found[2], factor


def unit_text(code: str, factor: float) -> str:
    """Return a unit as a description writes it, the inverse of `written_unit`."""
    return code if factor == 1.0 else f"{factor:.15g} {code}"


def torque(word: str) -> tuple[str, float] | None:
    """Return UCUM code and factor of a unit of torque; None for another word."""
    code, factor = unit_word(word) if word else ("", 1.0)
    return (code, factor) if code and UNITS[code].dimension == "torque" else None


def torques_in(text: str) -> dict[str, float]:
    """Return the torques of a line that have their unit: number and unit as they are written, and the value in uN.m.

    A number whose mark may be one between thousands is left out.
    """
    found: dict[str, float] = {}
    for one in NUMBER_WITH_UNIT.finditer(text):
        unit = torque(one[2])
        if unit is not None and not may_be_thousands(one[1]):
            found[one[0]] = float(one[1].replace(",", ".")) * convert(unit[1], unit[0], "uN.m")
    return found
