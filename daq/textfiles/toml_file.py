"""Read the tables of a TOML file that a person wrote, within bounds of size, depth and time."""

import tomllib
from pathlib import Path
from typing import Any, Final

from daq.core.errors import SettingError
from daq.textfiles.plain_file import read_plain, refuse_costly

LARGEST_FILE: Final = 256_000
"""Greatest size of a settings file, bytes."""


def read_toml(path: Path | str) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Raises:
        SettingError: the file cannot be read, is too large, is not UTF-8 or not TOML (with the line).
    """
    return tables_of(read_plain(path, LARGEST_FILE), str(path))


def tables_of(raw: bytes, file: str) -> dict[str, Any]:
    """Return the tables of a TOML file that was read.

    Raises:
        SettingError: it is not UTF-8 or not TOML (with the line).
    """
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise SettingError(f"line {line} is not UTF-8 text; save the file as UTF-8", file=file) from None
    try:
        refuse_costly(text, file)
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingError(
            f"is not valid TOML: {error}; text is put in quotes, tables in [brackets]", file=file
        ) from None
    except (ValueError, RecursionError):  # numbers of thousands of digits, thousands of brackets
        raise SettingError(
            "holds a number, or brackets in brackets, far too long for a settings file", file=file
        ) from None
