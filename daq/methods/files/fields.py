"""Types of the values in files: a number is written plain or with a unit.

Every validator raises `ValueError` with a sentence for a technician; the loader adds file and key.
"""

import math
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, PrivateAttr

from daq.core.errors import DaqError, SettingError, coded
from daq.core.extent import Extent
from daq.core.units import ENTRY, UNITS, convert, entered

_QUANTITY: Final = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*")
_COMMA: Final = re.compile(r"\s*[+-]?\d+,\d+")
_READINGS: Final = re.compile(r"\s*(\d{1,6})\s+readings?\s*")
_NAME: Final = re.compile(r"[a-z][a-z0-9_-]*")
LONGEST: Final = 1e9
"""Largest number of a time or of revolutions, in any unit; it excludes infinity and NaN."""
_DATE: Final = re.compile(r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")

LONGEST_LABEL: Final = 200
"""Greatest number of characters of a name that a person gives, such as that of a sample."""
MOST_CHOICES: Final = 32
"""Greatest number of choices in one order of a run."""
_UNSEEN: Final = frozenset({"Cc", "Cs", "Zl", "Zp"})
"""Unicode categories of control characters, halves of characters, and separators of lines and paragraphs."""
_DIRECTION: Final = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Characters that change the direction of the text after them (Unicode UAX #9)."""


class FieldError(DaqError, ValueError):
    """A value is wrong.  With a code (`coded`) a form of the page shows its sentence.  Example: a control character."""


class KeyedError(FieldError):
    """An error in a table as a whole, with the key inside it that must be changed.  Example: `low` above `high`."""

    def __init__(self, key: str, reason: str) -> None:
        self.key = key
        super().__init__(reason)


class Model(BaseModel):
    """Base of all models of files: unknown keys are refused, values are not coerced, and instances are immutable."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, defer_build=True)
    _source: str = PrivateAttr("")

    def from_file(self, path: Path | str) -> Self:
        """Set the file from which this was read, so that later errors can name it."""
        self._source = str(path)
        return self

    @property
    def source(self) -> str:
        """The file from which this was read, or ""."""
        return self._source


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with its UCUM unit; the unit is "" if none was written."""

    value: float
    unit: str = ""

    def in_unit(self, code: str) -> float:
        """Return the number in the unit `code`; a number without unit is taken to be in it.

        Raises:
            SettingError: the units have different dimensions.
        """
        return self.value if not self.unit else convert(self.value, self.unit, code)


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        return float(value)
    except OverflowError:  # a whole number in TOML has no bound
        return math.inf if value > 0 else -math.inf


def _known(dimension: str) -> str:
    """Return the units of a dimension ("": all) as a person can write them."""
    codes = [c for c, u in UNITS.items() if dimension in ("", u.dimension)]
    return ", ".join([*codes, *(e for e, (c, _) in ENTRY.items() if c in codes and e.isascii())])


def split(text: str) -> tuple[float, str]:
    """Return number and unit text of a text such as ``30 s``; `ValueError` if it does not begin with a number."""
    found = _QUANTITY.fullmatch(text)
    if found is None or _COMMA.match(text):
        if _COMMA.match(text):
            raise coded(FieldError(f"{text!r}: write decimals with a point, as in 0.5"), "comma_in_number", given=text)
        raise coded(FieldError(f"{text!r} is not a number, with or without a unit behind it"), "no_number", given=text)
    return float(found[1]), found[2]


def amount(value: Any, dimension: str = "") -> Amount:
    """Return the `Amount` of a number, or of text such as ``500 mPa.s``.

    `dimension` selects the units that an error lists; other units are accepted all the same.
    """
    if isinstance(value, Amount):
        return value
    number = _number(value)
    if number is not None:
        return Amount(number)
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is not a number, nor text like '30 s'")  # noqa: TRY004 - pydantic takes ValueError
    number, text = split(value)
    if not text:
        return Amount(number)
    try:
        code, factor = entered(text)
    except SettingError:
        error = FieldError(f"unknown unit {text!r}; known here: {_known(dimension)}")
        raise coded(error, "unknown_unit", given=text) from None
    return Amount(number * factor, code)


def extent(value: Any) -> Extent:
    """Return a time or a number of revolutions: a number of seconds, or ``30 s``, ``2 min``, ``5 rev``."""
    if isinstance(value, Extent):
        return value
    given = amount(value, "time")
    if not abs(given.value) <= LONGEST:
        raise ValueError(f"{value!r} is no length of time or of turning")
    if given.value < 0:
        raise ValueError(f"{value!r} is negative; a length of time or of turning is zero or more")
    if given.unit == "{rev}":
        return Extent(revolutions=given.value)
    if given.unit and UNITS[given.unit].dimension != "time":
        raise ValueError(f"{value!r} is neither a time nor revolutions; write for example '30 s', '2 min' or '5 rev'")
    return Extent(ns=round(given.in_unit("s") * 1e9))


def span(value: Any) -> Extent:
    """Return the span of a kept value: as in `extent`, or a number of readings, as in ``5 readings``."""
    found = _READINGS.fullmatch(value) if isinstance(value, str) else None
    if found is None:
        return extent(value)
    if not int(found[1]):
        raise ValueError(f"{value!r}: a span has at least one reading")
    return Extent(readings=int(found[1]))


def duration(value: Any) -> int:
    """Return a time in ns: a number of seconds, or ``30 s``, ``2 min``, ``1 h``."""
    given = extent(value)
    if given.revolutions:
        raise ValueError(f"{value!r} must be a time (for example '30 s'), not revolutions")
    return given.ns


def in_unit(code: str, *, difference: bool = False) -> Callable[[Any], float]:
    """Return a validator that converts a number, or text with a unit, to a float in the unit `code`.

    `difference` marks a temperature difference, which is in K only.
    """

    def validate(value: Any) -> float:
        given = amount(value, UNITS[code].dimension)
        if difference and given.unit not in ("", "K"):
            raise ValueError(f"{value!r}: a temperature difference is written in K, for example '0.1 K'")
        try:
            return given.in_unit(code)
        except SettingError as error:
            raise ValueError(error.reason) from None

    return validate


def setting(value: Any, dimension: str = "") -> Amount | str:
    """Return a number with or without unit, or the name of a choice of the method; `dimension` as in `amount`."""
    if isinstance(value, str) and _NAME.fullmatch(value.strip()):
        return value.strip()
    return amount(value, dimension)


def setting_in(code: str) -> Callable[[Any], Amount | str]:
    """Return a validator like `setting` that converts the number to the unit `code`."""
    validate = in_unit(code)

    def in_code(value: Any) -> Amount | str:
        given = value if isinstance(value, Amount) else setting(value, UNITS[code].dimension)
        return given if isinstance(given, str) else Amount(validate(given), code)

    return in_code


def listed(value: Any) -> Any:
    """Return a list of a file as a tuple, which cannot change; any other value as it is."""
    return tuple(value) if isinstance(value, list) else value


def name(value: Any) -> Any:
    """Return a name that can be used in topics, addresses and on a command line."""
    if isinstance(value, str) and not _NAME.fullmatch(value):
        raise ValueError(
            f"{value!r} is not usable as a name: begin with a small letter, go on with small letters, digits, - and _"
        )
    return value


def clean(value: str) -> str:
    """Return text without control characters; `ValueError` names the first one.

    Control characters move the cursor of a terminal, end a line of a table, or show another text than the stored one.
    """
    if value.isprintable():
        return value
    for place, character in enumerate(value, 1):
        if unicodedata.category(character) in _UNSEEN or character in _DIRECTION:
            error = f"has a control character, U+{ord(character):04X}, at character {place}; leave it out"
            raise coded(FieldError(error), "control_character", place=str(place), character=f"U+{ord(character):04X}")
    return value


def hidden(value: Any) -> str:
    """Return a password or code; the `ValueError` for another value does not repeat it."""
    if not isinstance(value, str) or len(value) > LONGEST_LABEL or not value.isprintable():
        error = f"must be text of at most {LONGEST_LABEL} characters in one line"
        raise coded(FieldError(error), "no_line_of_text", most=str(LONGEST_LABEL))
    return value


def choices(value: Any) -> dict[str, float | str]:
    """Return the choices of an order: a finite number or a short text by name."""
    if not isinstance(value, dict):
        raise ValueError("must be a table of name = value")  # noqa: TRY004 - as above
    if len(value) > MOST_CHOICES:
        raise ValueError(f"has {len(value)} entries; a method has at most {MOST_CHOICES} choices")
    found: dict[str, float | str] = {}
    for key, given in value.items():
        if not isinstance(key, str) or len(key) > LONGEST_LABEL or not _NAME.fullmatch(key):
            raise ValueError("has a name that no choice can have: small letters, digits, - and _, such as speed")
        if isinstance(given, str):
            found[key] = _choice(key, given)
            continue
        number = _number(given)
        if number is None or not math.isfinite(number):
            raise KeyedError(key, "must be a finite number or text")
        found[key] = number
    return found


def _choice(key: str, given: str) -> str:
    if len(given) > LONGEST_LABEL:
        raise KeyedError(key, f"has more than {LONGEST_LABEL} characters")
    try:
        return clean(given)
    except ValueError as error:
        raise KeyedError(key, str(error)) from None


def method_version(value: Any) -> Any:
    """Return a method's id and version as one text, ``clear-glaze-qc 1``; `ValueError` without either of them."""
    if isinstance(value, str):
        method, _, version = value.partition(" ")
        if not _NAME.fullmatch(method) or not version.strip() or version != version.strip():
            raise ValueError(f"{value!r}: write the method's id, one space and its version, as in 'clear-glaze-qc 1'")
    return value


def unit_text(value: Any) -> Any:
    """Return a unit as a person writes it; `ValueError` if it is not known."""
    if isinstance(value, str):
        try:
            entered(value)
        except SettingError:
            raise ValueError(
                f"unknown unit {value!r}; write a UCUM code, for example mPa.s, Pa.s, Cel, g or s"
            ) from None
    return value


def day(value: Any) -> str:
    """Return a calendar day as ``YYYY-MM-DD`` (with or without quotes in the file)."""
    text = value if isinstance(value, str) else value.isoformat() if hasattr(value, "isoformat") else ""
    if not _DATE.fullmatch(text):
        raise coded(FieldError(f"{value!r} is not a day; write it as 2027-03-31"), "no_day", given=text[:LONGEST_LABEL])
    return str(text)


UnitText = Annotated[str, BeforeValidator(unit_text)]
Listed = BeforeValidator(listed)
Name = Annotated[str, BeforeValidator(name)]
Text = Annotated[str, Field(min_length=1), AfterValidator(clean)]
LineBytes = Annotated[str, Field(min_length=1)]
"""Text as an instrument sends or takes it, with control characters such as CR, LF and TAB."""
Label = Annotated[str, Field(max_length=LONGEST_LABEL), AfterValidator(clean)]
"""Text in one line that a person gives; it may be empty."""
NeededLabel = Annotated[str, Field(min_length=1, max_length=LONGEST_LABEL), AfterValidator(clean)]
Hidden = Annotated[str, BeforeValidator(hidden), Field(repr=False)]
"""A password or a badge's code: its errors do not repeat it, and no `repr` shows it; it may be empty."""
Choices = Annotated[dict[str, float | str], BeforeValidator(choices)]
MethodVersion = Annotated[str, BeforeValidator(method_version)]
Day = Annotated[str, BeforeValidator(day)]
Length = Annotated[Extent, BeforeValidator(extent)]
SpanLength = Annotated[Extent, BeforeValidator(span)]
Duration = Annotated[int, BeforeValidator(duration)]
Setting = Annotated[Amount | str, BeforeValidator(setting)]
SpeedSetting = Annotated[Amount | str, BeforeValidator(setting_in("/min"))]
TemperatureSetting = Annotated[Amount | str, BeforeValidator(setting_in("Cel"))]
Quantity = Annotated[Amount, BeforeValidator(amount)]
Celsius = Annotated[float, BeforeValidator(in_unit("Cel"))]
Kelvins = Annotated[float, BeforeValidator(in_unit("K", difference=True)), Field(gt=0)]
KelvinDifference = Annotated[float, BeforeValidator(in_unit("K", difference=True))]
PerMinute = Annotated[float, BeforeValidator(in_unit("/min")), Field(gt=0)]
Percent = Annotated[float, BeforeValidator(in_unit("%"))]
Millimetres = Annotated[float, BeforeValidator(in_unit("mm")), Field(gt=0)]
Millilitres = Annotated[float, BeforeValidator(in_unit("mL")), Field(gt=0)]
