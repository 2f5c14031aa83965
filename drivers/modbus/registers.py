"""Registers of an instrument's file: place, format and meaning of each number."""

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from daq.core.driver import Channel
from daq.core.errors import ArgumentError, SettingError
from daq.core.faults import FAULTS
from daq.core.units import UNITS
from daq.core.wordorder import from_sign_and_magnitude, ordered, to_sign_and_magnitude

FORMATS: Final = {
    "int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d",
    "magnitude16": "H", "magnitude32": "I",
}  # fmt: skip
"""Types of numbers, each with its code of `struct`; a magnitude has its sign in the highest bit."""
TABLES: Final = {"holding": 3, "input": 4}
"""Kinds of registers, each with the function that reads it."""
ORDERS: Final = ("high first", "low first")
LARGEST: Final = 1.7e308
"""Nearly the greatest float; a TOML file may contain greater whole numbers."""
PLACE: Final = frozenset({"register", "table", "type", "words", "bytes"})


@dataclass(frozen=True, slots=True)
class Place:
    """Place and format of a number.

    Attributes:
        table: function that reads it, 3 or 4.
        register: number of its first register, from 0.
        kind: key of `FORMATS`.
        low_word_first, low_byte_first: order of words and bytes; otherwise the most significant comes first.
    """

    table: int
    register: int
    kind: str
    low_word_first: bool = False
    low_byte_first: bool = False

    @property
    def count(self) -> int:
        """Number of registers."""
        return struct.calcsize(FORMATS[self.kind]) // 2

    def number(self, raw: bytes) -> float:
        """Return the number in the bytes of its registers; it may be NaN or infinite."""
        raw = self._ordered(raw)
        return (
            from_sign_and_magnitude(raw) if self._has_sign else float(struct.unpack(">" + FORMATS[self.kind], raw)[0])
        )

    def raw(self, number: float) -> bytes:
        """Return the bytes of the registers for a number.

        Raises:
            OverflowError, ValueError: the number does not fit.
        """
        if not math.isfinite(number):
            raise OverflowError(f"{number} cannot be written")
        if self._has_sign:
            try:
                return self._ordered(to_sign_and_magnitude(number, 2 * self.count))
            except ArgumentError as error:
                raise OverflowError(str(error)) from None
        own: float = number if self.kind in ("float32", "float64") else round(number)
        try:
            return self._ordered(struct.pack(">" + FORMATS[self.kind], own))
        except struct.error as error:
            raise OverflowError(str(error)) from None

    @property
    def has_negative_zero(self) -> bool:
        """True for a type whose numbers may be a negative zero."""
        return self._has_sign or self.kind.startswith("float")

    @property
    def _has_sign(self) -> bool:
        return self.kind.startswith("magnitude")

    def _ordered(self, raw: bytes) -> bytes:
        return ordered(raw, low_word_first=self.low_word_first, low_byte_first=self.low_byte_first)


@dataclass(frozen=True, slots=True)
class Measured:
    """A channel: its value is the number at `place` times `scale`, plus `offset`."""

    channel: Channel
    place: Place
    scale: float = 1.0
    offset: float = 0.0
    special: Mapping[float, str] = field(default_factory=dict)
    """Numbers in place of a value, each with its fault."""
    negative_zero: str = ""
    """Fault of a negative zero; "" where it is a zero as any other."""

    def read(self, raw: bytes) -> tuple[float | None, str]:
        """Return the value and "", or None and the fault."""
        number = self.place.number(raw)
        if self.negative_zero and raw == self.place.raw(-0.0):
            return None, self.negative_zero
        if number in self.special:
            return None, self.special[number]
        value = number * self.scale + self.offset + 0.0
        return (value, "") if math.isfinite(value) else (None, "not_a_number")


@dataclass(frozen=True, slots=True)
class Status:
    """A register whose bits are faults: channel (or "") and fault by weight."""

    place: Place
    bits: Mapping[int, tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Command:
    """The register and value of an action.

    Attributes:
        value: constant number that is written; None: the value of the action.
        function: 16, or 6 for one register.
        low, high: limits of the action's value, in the unit of the core.
    """

    place: Place
    value: float | None
    scale: float
    function: int
    low: float
    high: float


def table_of(
    given: Any, key: str, allowed: frozenset[str] | None = None, needed: frozenset[str] = frozenset()
) -> Mapping[str, Any]:
    """Check the keys of a table of the options; without `allowed` any key is accepted.

    Raises:
        SettingError: it is no table, a key is missing, or a key is unknown.
    """
    if not isinstance(given, Mapping):
        raise SettingError("must be a table of key = value", key=key)
    for name in sorted(given.keys() - allowed) if allowed is not None else ():
        raise SettingError(f"unknown key; known: {', '.join(sorted(allowed or ()))}", key=f"{key}.{name}")
    for name in sorted(needed - given.keys()):
        raise SettingError("is missing", key=f"{key}.{name}")
    return given


def whole(given: Mapping[str, Any], name: str, key: str, low: int, high: int, default: int | None = None) -> int:
    """Return a whole number of a table; raise `SettingError` where it is none, or beyond its limits."""
    value = given.get(name, default)
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise SettingError(f"must be a whole number from {low} to {high}", key=f"{key}.{name}")
    return value


def number(given: Mapping[str, Any], name: str, key: str, default: float | None = None) -> float:
    """Return a finite number of a table; raise `SettingError` where it is none."""
    value = given.get(name, default)
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not abs(value) <= LARGEST:
        raise SettingError("must be a number", key=f"{key}.{name}")
    return float(value)


def one_of(given: Mapping[str, Any], name: str, key: str, choices: Any, default: str | None = None) -> str:
    """Return a text of a table that is one of `choices`; raise `SettingError` otherwise."""
    value = given.get(name, default)
    if not isinstance(value, str) or value not in choices:
        raise SettingError(f"must be one of {', '.join(map(repr, choices))}", key=f"{key}.{name}")
    return value


def place_of(given: Mapping[str, Any], key: str, table: str = "holding", kind: str | None = None) -> Place:
    """Return the place of a number; raise `SettingError` for its faults.

    Neither the type nor the order of several words has a usual value: another one reads a wrong number that may be
    within the limits of the channel.

    Args:
        given: the table of the options.
        key: its key.
        table: kind of register without the key `table`.
        kind: type without the key `type`; None where the type must be given.
    """
    if kind is None and "type" not in given:
        raise SettingError(f"is missing: the format of the number, one of {', '.join(FORMATS)}", key=f"{key}.type")
    format_ = one_of(given, "type", key, tuple(FORMATS), kind)
    if struct.calcsize(FORMATS[format_]) > 2 and "words" not in given:
        orders = " or ".join(map(repr, ORDERS))
        raise SettingError(f"is missing: the order of the registers of a {format_}, {orders}", key=f"{key}.words")
    place = Place(
        TABLES[one_of(given, "table", key, tuple(TABLES), table)],
        whole(given, "register", key, 0, 65_535),
        format_,
        one_of(given, "words", key, ORDERS, ORDERS[0]) == ORDERS[1],
        one_of(given, "bytes", key, ORDERS, ORDERS[0]) == ORDERS[1],
    )
    if place.register + place.count > 65_536:
        raise SettingError("ends beyond register 65535", key=f"{key}.register")
    return place


def measured_of(name: str, given: Any, key: str) -> Measured:
    """Return a channel of the options; raise `SettingError` for its faults."""
    allowed = PLACE | {"unit", "low", "high", "scale", "offset", "special"}
    table = table_of(given, key, allowed, frozenset({"register", "unit", "low", "high"}))
    if not name.isidentifier() or not name.isascii() or name != name.lower():
        raise SettingError("a channel's name has small letters, digits and _", key=key)
    unit = one_of(table, "unit", key, tuple(UNITS))
    low, high = number(table, "low", key), number(table, "high", key)
    if low >= high:
        raise SettingError("must be below high", key=f"{key}.low")
    scale = number(table, "scale", key, 1.0)
    if scale == 0:
        raise SettingError("must not be 0", key=f"{key}.scale")
    place = place_of(table, key, "input")
    special, negative_zero = _special_of(table.get("special", {}), place, f"{key}.special")
    offset = number(table, "offset", key, 0.0)
    return Measured(Channel(name, unit, low, high), place, scale, offset, special, negative_zero)


def _special_of(given: Any, place: Place, key: str) -> tuple[dict[float, str], str]:
    """Return the fault of each number that is no value, and that of a negative zero ("-0")."""
    special: dict[float, str] = {}
    negative_zero = ""
    for text, fault in table_of(given, key).items():
        here = f"{key}.{text}"
        try:
            number = float(text)
        except ValueError:
            raise SettingError("must be a number in quotes = the fault it means", key=here) from None
        if not isinstance(fault, str) or fault not in FAULTS or FAULTS[fault].keeps_value:
            raise SettingError("must be a fault without value, e.g. 'probe' or 'sensor'", key=here)
        if number or not text.strip().startswith("-"):
            special[number] = fault
        elif place.has_negative_zero:
            negative_zero = fault  # zero itself stays a value, although the two are equal as numbers
        else:
            raise SettingError(f"is never sent: {place.kind} has no negative zero", key=here)
    return special, negative_zero


def check_apart(places: Mapping[str, Place], key: str) -> None:
    """Check that no two channels share a part of their registers; the same number in two channels is accepted.

    Raises:
        SettingError: the later of two such channels, in the order of `places`.
    """
    earlier: list[tuple[str, Place]] = []
    for name, place in places.items():
        for other, own in earlier:
            apart = place.register >= own.register + own.count or own.register >= place.register + place.count
            if place.table == own.table and not apart and place != own:
                raise SettingError(
                    f"its {place.kind} shares registers with the {own.kind} of {other}", key=f"{key}.{name}.register"
                )
        earlier.append((name, place))


def status_of(given: Any, channels: list[str], key: str) -> Status:
    """Return the status register of the options; raise `SettingError` for its faults."""
    table = table_of(given, key, PLACE | {"bits"}, frozenset({"register", "bits"}))
    bits: dict[int, tuple[str, str]] = {}
    for weight, entry in table_of(table["bits"], f"{key}.bits").items():
        here = f"{key}.bits.{weight}"
        if not weight.isdecimal() or len(weight) > 10 or int(weight).bit_count() != 1:
            raise SettingError("a bit is written as its weight: '1', '2', '4', '8', ...", key=here)
        channel, _, fault = str(entry).rpartition(":")
        if fault.strip() not in FAULTS or channel.strip() not in ("", *channels):
            raise SettingError("must be a fault, or 'channel: fault'", key=here)
        bits[int(weight)] = (channel.strip(), fault.strip())
    place = place_of(table, key, "input", "uint16")
    if place.kind not in ("uint16", "uint32"):
        raise SettingError("bits are in a uint16 or uint32", key=f"{key}.type")
    return Status(place, bits)


def command_of(given: Any, key: str, *, has_value: bool) -> Command:
    """Return an action of the options; raise `SettingError` for its faults."""
    limits = frozenset({"low", "high"}) if has_value else frozenset({"value"})
    allowed = (PLACE - {"table"}) | {"function", "scale"} | limits
    table = table_of(given, key, allowed, limits | {"register"})
    place, scale = place_of(table, key), number(table, "scale", key, 1.0)
    function = whole(table, "function", key, 6, 16, 16)
    if function not in (6, 16) or (function == 6 and place.count > 1):
        raise SettingError("must be 16, or 6 for a single register", key=f"{key}.function")
    if scale == 0:
        raise SettingError("must not be 0", key=f"{key}.scale")
    low = high = 0.0
    value = None if has_value else number(table, "value", key)
    if has_value:
        low, high = number(table, "low", key), number(table, "high", key)
        if low >= high:
            raise SettingError("must be below high", key=f"{key}.low")
    command = Command(place, value, scale, function, low, high)
    for name, extreme in (("low", low), ("high", high)) if has_value else (("value", value or 0.0),):
        try:
            place.raw(extreme / scale)
        except (OverflowError, ValueError):
            raise SettingError(f"does not fit into {place.kind}", key=f"{key}.{name}") from None
    return command
