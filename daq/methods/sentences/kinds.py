"""Sentences as data: a template, and the kind of each of its parameters.

In a template ``{speed}`` is the parameter `speed` with its unit, ``{speed#}`` for the number alone.  The text
between ``[`` and ``]`` is left out where one of its parameters is not given.
"""

from dataclasses import dataclass
from typing import Final, Literal

AS_SET: Final = ".12g"
"""Digits of a number that a person set, such as a limit: all of them, without the rounding error of a conversion."""
KindName = Literal["number", "numbers", "name", "term", "names", "alternatives", "terms", "unit", "detail"]


@dataclass(frozen=True, slots=True)
class Kind:
    """The kind of a parameter.

    Attributes:
        what: number; numbers (alternatives in one unit); name (shown as it is); term (a word of this project, such as
            a fault, shown in the reader's language); names, alternatives and terms (lists of them); unit (a UCUM
            code); detail (a text of an instrument, a driver or a library, in its own language).
        digits: of a number: the format in which it is shown, as Python writes it.
        unit: of a number: its UCUM code.
        unit_at: of a number whose unit is no fixed one: the parameter that holds the code.
        within: of a number with an uncertainty: the parameter that holds it, expanded; the number ends at its last
            digit (JCGM 100 7.2.6), and is shown by `digits` where it is not given.
    """

    what: KindName
    digits: str = ""
    unit: str = ""
    unit_at: str = ""
    within: str = ""


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence: its English template, and the kinds of its parameters by name."""

    template: str
    parameters: dict[str, Kind]


def sentence(template: str, /, **parameters: Kind) -> Sentence:
    """Return a sentence with these parameters."""
    return Sentence(template, parameters)


def number(digits: str = AS_SET, within: str = "") -> Kind:
    """Return the kind of a number without a unit."""
    return Kind("number", digits, within=within)


def quantity(unit: str, digits: str = AS_SET, within: str = "") -> Kind:
    """Return the kind of a number in a unit (UCUM code)."""
    return Kind("number", digits, unit, within=within)


def quantities(unit: str, digits: str = AS_SET) -> Kind:
    """Alternative numbers in a unit (UCUM code)."""
    return Kind("numbers", digits, unit)


def measured(digits: str = AS_SET, unit_at: str = "unit", within: str = "") -> Kind:
    """Return the kind of a number whose UCUM code is another parameter."""
    return Kind("number", digits, "", unit_at, within)


NAME: Final = Kind("name")
TERM: Final = Kind("term")
NAMES: Final = Kind("names")
ALTERNATIVES: Final = Kind("alternatives")
TERMS: Final = Kind("terms")
UNIT: Final = Kind("unit")
DETAIL: Final = Kind("detail")
SPEED: Final = quantity("/min")
"""A speed as it was set."""
EXACT_SPEED: Final = quantity("/min", ".4g")
PERCENT: Final = quantity("%")
TORQUE: Final = quantity("%", ".1f")
"""A measured torque, of full scale."""
SECONDS: Final = quantity("s")
CELSIUS: Final = quantity("Cel")
MEASURED_CELSIUS: Final = quantity("Cel", ".2f")
TURNS: Final = quantity("{rev}")
COUNT: Final = number("d")
