"""Read and check description files."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.core.errors import SettingError, SettingErrors
from daq.descriptions.checks import faults
from daq.descriptions.driver import DescribedDriver
from daq.descriptions.guessing.remarks import open_points
from daq.descriptions.model import DescriptionTables
from daq.descriptions.rangechecks import one_number_twice
from daq.methods.files.load import parse
from daq.textfiles.plain_file import read_plain
from daq.textfiles.toml_file import LARGEST_FILE, tables_of


@dataclass(frozen=True, slots=True)
class Description:
    """A checked description.

    Attributes:
        tables: the tables as a model.
        raw: the tables as read, as JSON values; the same driver can be built from them.
        source: path of the file, or "".
    """

    tables: DescriptionTables
    raw: Mapping[str, Any]
    source: str = ""

    def driver(self, options: Mapping[str, Any] | None = None) -> DescribedDriver:
        """Return a new driver.

        Raises:
            SettingErrors: wrong options.
        """
        return DescribedDriver(self.tables, self.raw, options or {})


def load_description(path: Path | str) -> Description:
    """Read and check the description in a TOML file.

    Raises:
        SettingError: the file cannot be read or is not TOML.
        SettingErrors: all faults of the file, or its open points.
    """
    raw = read_plain(path, LARGEST_FILE)
    description = check_description(tables_of(raw, str(path)), str(path))
    refuse_open_points(raw, str(path))
    return description


def refuse_open_points(raw: bytes, file: str) -> None:
    """Raise `SettingErrors` where a description file has points that a person must fill in.

    A text whose meaning is open would be read as a state without a fault, a number in a unit that nobody named.
    """
    points = [
        SettingError(f"fill in {what}; then remove this remark", file=file, key=f"line {number}")
        for number, what in open_points(raw.decode("utf-8-sig"))
    ]
    if points:
        raise SettingErrors(points)


def check_description(raw: Mapping[str, Any], file: str = "", *, stored: bool = False) -> Description:
    """Check the tables of a description that are already read; errors as in `load_description`.

    `stored`: they are those of a run that was measured with them.  Two faults of one number are then no error, because
    the run is read again as it was.
    """
    tables = parse(DescriptionTables, dict(raw), file)
    found_faults = [*faults(tables), *(() if stored else one_number_twice(tables))]
    errors = [SettingError(e.reason, file=file, key=e.key) for e in found_faults]
    if errors:
        raise SettingErrors(errors)
    found = Description(tables, raw, file)
    try:
        found.driver()
    except SettingErrors as error:
        raise SettingErrors([SettingError(e.reason, file=file, key=e.key) for e in error.errors]) from None
    return found


def describe(tables: Mapping[str, Any], options: Mapping[str, Any]) -> DescribedDriver:
    """Return a driver from description tables (as in a journal's header) and options.

    Raises:
        SettingErrors: faults of the tables or the options.
    """
    return check_description(tables, stored=True).driver(options)


__all__ = ["Description", "check_description", "describe", "load_description", "refuse_open_points"]
