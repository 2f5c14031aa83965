"""A map of registers in a CSV file, as makers publish them, becomes the channels of an instrument's file.

Nothing is read when a run starts: `daq driver registers` prints the tables, and the instrument's file holds them.
"""

import csv
import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from daq.core.errors import SettingError
from daq.core.thousands import may_be_thousands, two_ways
from drivers.modbus.registers import Place, check_apart, measured_of

NEEDED: Final = ("name", "type", "unit", "low", "high")
COLUMNS: Final = (
    "name", "register", "address", "table", "type", "words", "bytes", "unit", "low", "high", "scale", "offset",
    "special",
)  # fmt: skip
WHOLE: Final = ("register", "address")
NUMBERS: Final = ("low", "high", "scale", "offset")
MOST_ROWS: Final = 1000
_NUMBER: Final = re.compile(r"[+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?(?:[eE][+-]?[0-9]{1,2})?")
_SPECIAL: Final = re.compile(r"([+-]?[0-9.]+(?:[eE][+-]?[0-9]{1,2})?)=([a-z_]+)")


def channels_of(text: str, file: str = "") -> dict[str, dict[str, Any]]:
    """Return the channels of a map, by name, as the option `channels` of the driver takes them.

    The first row names the columns; the separator is a comma, or a semicolon with a decimal comma.  Each row has a
    type, and the order of the words where the type has more than one register.  No two rows share a part of their
    registers.  No mark of a number is before exactly three digits, unless a single zero is before it.

    A register is given as its number from 0 (`register`), or as makers number it (`address`: 30001 is the first input
    register, 40001 the first holding register).  `special` holds numbers in place of a value, as in
    ``-32768=probe 32767=over_range``.

    Raises:
        SettingError: the row and column of the first fault.
    """
    semicolon = ";" in text.partition("\n")[0]
    rows = list(csv.reader(text.removeprefix("\ufeff").splitlines(), delimiter=";" if semicolon else ","))
    head = [cell.strip().lower() for cell in rows[0]] if rows else []
    _check_head(head, file)
    found: dict[str, dict[str, Any]] = {}
    places: dict[str, Place] = {}
    for number, row in enumerate(rows[1 : MOST_ROWS + 1], 2):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if len(cells) > len(head):
            raise SettingError(f"has {len(cells)} columns, the first row {len(head)}", file=file, key=f"row {number}")
        given = {name: cell for name, cell in zip(head, cells, strict=False) if cell}
        key = f"row {number}"
        name = given.get("name", "")
        if name in found:
            raise SettingError(f"{name!r} is the name of an earlier row", file=file, key=f"{key}.name")
        try:
            table = dict(_cells(given, key, comma=semicolon))
            places[key] = measured_of(name, table, key).place
        except SettingError as error:
            raise SettingError(error.reason, file=file, key=error.key) from None
        found[name] = table
    try:
        check_apart(places, "")
    except SettingError as error:
        raise SettingError(error.reason, file=file, key=(error.key or "").removeprefix(".")) from None
    if len(rows) > MOST_ROWS + 1:
        raise SettingError(f"has more than {MOST_ROWS} rows", file=file)
    if not found:
        raise SettingError("has no register: one row below the names of the columns for each", file=file)
    return found


def _check_head(head: list[str], file: str) -> None:
    known = ", ".join(COLUMNS)
    for name in head:
        if name not in COLUMNS or head.count(name) > 1:
            what = "is twice" if name in COLUMNS else "is unknown"
            raise SettingError(f"the column {name!r} {what}; known: {known}", file=file, key="row 1")
    missing = [name for name in NEEDED if name not in head]
    if "register" not in head and "address" not in head:
        missing.append("register")
    if missing:
        raise SettingError(f"the column {missing[0]!r} is missing; known: {known}", file=file, key="row 1")


def _cells(given: Mapping[str, str], key: str, *, comma: bool) -> Iterator[tuple[str, Any]]:
    """Yield the entries of a channel's table from the cells of one row."""
    if ("register" in given) == ("address" in given):
        raise SettingError("give one of register (from 0) and address (30001, 40001)", key=f"{key}.register")
    for name, cell in given.items():
        here = f"{key}.{name}"
        if name in WHOLE:
            if not re.fullmatch(r"[0-9]{1,6}", cell):
                raise SettingError("must be a whole number", key=here)
            yield from _place(name, int(cell), given, here)
        elif name in NUMBERS:
            _check_mark(cell, here)
            text = cell.replace(",", ".") if comma else cell
            if not _NUMBER.fullmatch(text):
                raise SettingError(f"{cell!r} is no number" + ("" if comma else " with a decimal point"), key=here)
            yield name, float(text)
        elif name == "special":
            yield name, dict(_specials(cell, here))
        elif name == "type":
            yield name, cell.lower()
        elif name != "name":
            yield name, cell


def _check_mark(number: str, key: str) -> None:
    """Refuse a number that may have a decimal mark or a mark between thousands; the map cannot ask."""
    if may_be_thousands(number):
        raise SettingError(two_ways(number), key=key)


def _place(name: str, number: int, given: Mapping[str, str], key: str) -> Iterator[tuple[str, Any]]:
    """Yield register and table of a place; 30001 and 300001 are the first input register."""
    if name == "register":
        yield "register", number
        return
    text = given["address"]
    kind = {"3": "input", "4": "holding"}.get(text[0])
    first = int(text[1:]) if len(text) in (5, 6) else 0
    if kind is None or not 1 <= first <= 65_536:
        raise SettingError("must be an address such as 30001 (input) or 40001 (holding); or use register", key=key)
    if given.get("table", kind) != kind:
        raise SettingError(f"is of the table {kind}, and the column table says {given['table']}", key=key)
    yield "register", first - 1
    yield "table", kind


def _specials(cell: str, key: str) -> Iterator[tuple[str, str]]:
    for part in cell.split():
        found = _SPECIAL.fullmatch(part)
        if found is None:
            raise SettingError(f"{part!r} is not NUMBER=FAULT, as in -32768=probe", key=key)
        _check_mark(found[1], key)
        yield found[1], found[2]


def toml_of(channels: Mapping[str, Mapping[str, Any]]) -> str:
    """Return the tables ``[options.channels.NAME]`` of an instrument's file."""
    out: list[str] = []
    for name, table in channels.items():
        out.append(f"[options.channels.{name}]")
        for key, value in table.items():
            if isinstance(value, dict):
                inner = ", ".join(f'"{number}" = "{fault}"' for number, fault in value.items())
                out.append(f"{key} = {{ {inner} }}")
            else:
                out.append(f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value!r}")
        out.append("")
    return "\n".join(out)
