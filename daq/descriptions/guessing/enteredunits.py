"""Units as a person enters them: UCUM expressions and the usual spellings, as a code of `daq.core.units` and a factor.

A compound expression is reduced to base units (UCUM, version 2.1, tables 1 to 5; SI brochure, 2019).  The unit of the
program with the same base units is taken: ``kg.m-3``, ``g/cm3``, ``N/mm2``.
"""

import math
import re
from functools import cache
from typing import Final

from daq.core.thousands import may_be_thousands, two_ways
from daq.core.units import UNITS
from daq.descriptions.unitwords import unit_word

Dimension = tuple[int, int, int, int, int]
"""Exponents of metre, kilogram, second, ampere and kelvin."""

PREFIXES: Final = {
    "": 1.0, "G": 1e9, "M": 1e6, "k": 1e3, "h": 1e2, "d": 1e-1, "c": 1e-2, "m": 1e-3, "u": 1e-6, "n": 1e-9,
}  # fmt: skip
ATOMS: Final[dict[str, tuple[Dimension, float]]] = {
    "m": ((1, 0, 0, 0, 0), 1.0), "g": ((0, 1, 0, 0, 0), 1e-3), "s": ((0, 0, 1, 0, 0), 1.0),
    "A": ((0, 0, 0, 1, 0), 1.0), "K": ((0, 0, 0, 0, 1), 1.0), "N": ((1, 1, -2, 0, 0), 1.0),
    "Pa": ((-1, 1, -2, 0, 0), 1.0), "W": ((2, 1, -3, 0, 0), 1.0), "V": ((2, 1, -3, -1, 0), 1.0),
    "Ohm": ((2, 1, -3, -2, 0), 1.0), "S": ((-2, -1, 3, 2, 0), 1.0), "L": ((3, 0, 0, 0, 0), 1e-3),
    "l": ((3, 0, 0, 0, 0), 1e-3), "bar": ((-1, 1, -2, 0, 0), 1e5), "P": ((-1, 1, -1, 0, 0), 0.1),
    "St": ((2, 0, -1, 0, 0), 1e-4), "dyn": ((1, 1, -2, 0, 0), 1e-5),
}  # fmt: skip
"""UCUM atoms that take a prefix."""
SINGLE: Final[dict[str, tuple[Dimension, float]]] = {
    "min": ((0, 0, 1, 0, 0), 60.0), "h": ((0, 0, 1, 0, 0), 3600.0), "d": ((0, 0, 1, 0, 0), 86400.0),
    "[lb_av]": ((0, 1, 0, 0, 0), 0.45359237), "lb": ((0, 1, 0, 0, 0), 0.45359237),
    "[oz_av]": ((0, 1, 0, 0, 0), 0.45359237 / 16), "oz": ((0, 1, 0, 0, 0), 0.45359237 / 16),
    "t": ((0, 1, 0, 0, 0), 1e3), "[in_i]": ((1, 0, 0, 0, 0), 0.0254), "[ft_i]": ((1, 0, 0, 0, 0), 0.3048),
    "[psi]": ((-1, 1, -2, 0, 0), 6894.757293168), "psi": ((-1, 1, -2, 0, 0), 6894.757293168),
    "[gr]": ((0, 1, 0, 0, 0), 0.45359237 / 7000),
}  # fmt: skip
"""Units without a prefix; NIST SP 811 (2008), appendix B, for those that are not of the SI."""
_COMPONENT: Final = re.compile(r"(\[?[A-Za-z_]+\]?)\^?([+-]?[1-9])?")
_NUMBER: Final = re.compile(r"([0-9]{1,12}(?:[.,][0-9]{1,12})?(?:[eE][+-]?[0-9]{1,2})?)[ *]+(\S.*)")
_RAISED: Final = str.maketrans(
    {"\u00b9": "1", "\u00b2": "2", "\u00b3": "3", "\u207b": "-", "\u00b7": ".", "*": ".", "\u03bc": "u", "\u00b5": "u"}
)
WITHOUT: Final = ("", "1", "-", "none")
"""Texts for a plain number."""


def entered_unit(text: str) -> tuple[str, float]:
    """Return UCUM code and factor of a unit that a person enters: ``g/cm3`` is ``("g/mL", 1.0)``.

    A number before the unit is a factor: ``0.1 \u00b0C`` is ``("Cel", 0.1)``.

    Raises:
        ValueError: the unit is unknown, the mark in the number may be one between thousands, or its base units are
            those of several quantities.
    """
    text = text.strip()
    if text in WITHOUT:
        return "1", 1.0
    given = _NUMBER.fullmatch(text)
    if given and may_be_thousands(given[1]):
        raise ValueError(two_ways(given[1]))
    own = float(given[1].replace(",", ".")) if given else 1.0
    word = given[2].strip() if given else text
    if word in WITHOUT:
        return "1", own
    code, factor = unit_word(word)
    if not code:
        code, factor = _reduced(word)
    if not 1e-30 <= own * factor <= 1e30:
        raise ValueError(f"{text!r}: the factor must be between 1e-30 and 1e+30")
    return code, float(f"{own * factor:.15g}")


def _reduced(word: str) -> tuple[str, float]:
    dimension, factor = parsed(word)
    codes = [code for code, own in _known().items() if own == dimension]
    quantities = {UNITS[code].dimension for code in codes}
    if not codes:
        raise ValueError(f"{word!r}: the program has no unit of this quantity; known UCUM codes: {', '.join(UNITS)}")
    if len(quantities) > 1:
        raise ValueError(f"{word!r} may be a {' or a '.join(sorted(quantities))}; write one of {', '.join(codes)}")
    code = min(codes, key=lambda c: abs(math.log(factor / UNITS[c].factor)))
    return code, factor / UNITS[code].factor


@cache
def _known() -> dict[str, Dimension]:
    """Return the base units of the program's units that are no special ones (``Cel``, ``[pH]``, ``%``)."""
    found: dict[str, Dimension] = {}
    for code, unit in UNITS.items():
        if unit.offset or code in ("1", "%", "[pH]", "{rev}", "rad/s", "Hz"):
            continue
        dimension, factor = parsed(code)
        if not math.isclose(factor, unit.factor, rel_tol=1e-12) and unit.dimension != "speed":
            raise AssertionError(f"{code}: {factor} is not {unit.factor}")
        found[code] = dimension
    return found


def parsed(text: str) -> tuple[Dimension, float]:
    """Return base units and factor of a UCUM expression of products and quotients.

    Raises:
        ValueError: the text is no such expression, or has an unknown unit.
    """
    rest = text.translate(_RAISED)
    dimension, factor, sign = [0] * 5, 1.0, 1
    if rest.startswith("1/"):
        rest = rest[1:]
    if rest.startswith("/"):
        rest, sign = rest[1:], -1
    while True:
        found = _COMPONENT.match(rest)
        if found is None:
            raise ValueError(f"{text!r} is no known unit; UCUM codes are for example g/mL, kg/m3, mPa.s, Cel, /min, %")
        own, size = _atom(found[1], text)
        power = sign * int(found[2] or 1)
        dimension = [a + power * b for a, b in zip(dimension, own, strict=True)]
        factor *= size**power
        rest = rest[found.end() :]
        if not rest:
            return (dimension[0], dimension[1], dimension[2], dimension[3], dimension[4]), factor
        if rest[0] not in "./":
            raise ValueError(f"{text!r} is no known unit: write products with '.' and quotients with '/'")
        sign = -1 if rest[0] == "/" else 1
        rest = rest[1:]


def _atom(name: str, text: str) -> tuple[Dimension, float]:
    if name in SINGLE:
        return SINGLE[name]
    for prefix, factor in PREFIXES.items():
        if name.startswith(prefix) and name[len(prefix) :] in ATOMS:
            own, size = ATOMS[name[len(prefix) :]]
            return own, factor * size
    raise ValueError(f"{text!r}: {name!r} is no known unit")
