"""Description files, read and checked."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.core.errors import SettingError, SettingErrors
from daq.descriptions.checks import faults
from daq.descriptions.driver import DescribedDriver
from daq.descriptions.model import DescriptionTables
from daq.methods.files.load import parse, read_toml


@dataclass(frozen=True, slots=True)
class Description:
    """A description that was found to be right.

    Attributes:
        tables: what it says.
        raw: the same as it was read, as JSON values; it makes the same driver again.
        source: the file it comes from, or "".
    """

    tables: DescriptionTables
    raw: Mapping[str, Any]
    source: str = ""

    def driver(self, options: Mapping[str, Any] | None = None) -> DescribedDriver:
        """A new driver; `SettingError` for wrong options."""
        return DescribedDriver(self.tables, self.raw, options or {})


def load_description(path: Path | str) -> Description:
    """The description in a TOML file.

    Raises:
        SettingError: the file cannot be read or is not TOML.
        SettingErrors: everything in it that is wrong.
    """
    return check_description(read_toml(path), str(path))


def check_description(raw: Mapping[str, Any], file: str = "") -> Description:
    """A description of tables already read; errors as `load_description`."""
    tables = parse(DescriptionTables, dict(raw), file)
    errors = [SettingError(e.reason, file=file, key=e.key) for e in faults(tables)]
    if errors:
        raise SettingErrors(errors)
    found = Description(tables, raw, file)
    try:
        found.driver()
    except SettingErrors as error:
        raise SettingErrors([SettingError(e.reason, file=file, key=e.key) for e in error.errors]) from None
    return found


def describe(tables: Mapping[str, Any], options: Mapping[str, Any]) -> DescribedDriver:
    """A driver of description tables (as in a journal's header) and options.

    Raises:
        SettingErrors: what is wrong with either.
    """
    return check_description(tables).driver(options)


__all__ = ["Description", "check_description", "describe", "load_description"]
