"""Add many samples at once, from the text of a CSV file (RFC 4180).

All lines are checked before anything is stored, and all samples are stored in one transaction.
"""

import csv
import difflib
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, find, new
from daq.app.laboratory.lists.sample_lists import COLUMNS, PLACES
from daq.app.laboratory.samples import AddSample, checked
from daq.app.records.sheets.exporting import read_cell
from daq.app.setup.catalogue import parts
from daq.core.errors import SettingError, SettingErrors, coded
from daq.laboratory.samples import ROUTINE, Sample
from daq.methods.files.fields import Model, NeededLabel
from daq.methods.files.load import SHOWN, Shown, parse

MOST_SAMPLES: Final = 1000
"""Greatest number of samples of one file."""
LARGEST_IMPORT: Final = 200_000
"""Greatest size of a file of samples, bytes."""
MOST_ERRORS: Final = 200
"""Greatest number of errors of one file that are explained."""
DELIMITERS: Final = (",", ";")
_COLUMN_OF: Final = {f"{table}.{key}": column for column, (table, key) in PLACES.items()}


class ImportSamples(Model):
    """Order to add the samples of a CSV file.

    Attributes:
        file: its name, for errors.
        text: its text.
        preview: only check the file; nothing is stored.
    """

    file: NeededLabel
    text: str
    preview: bool = False


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of the file: its number in the file, and its cells by column."""

    number: int
    cells: Mapping[str, str]


class _Errors:
    """Collects errors, each with file, line and column."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.found: list[SettingError] = []

    def add(self, line: int, column: str, reason: str, code: str, /, **values: str) -> None:
        key = f"line {line}" + (f", column {column}" if column else "")
        # The number of a column is no field of a form; the sentence names the column.
        place = {"line": str(line)} | ({"field": column} if column and not column.isdigit() else {})
        self.found.append(coded(SettingError(reason, file=self.file, key=key), code, **values, **place))

    def move(self, line: int, error: SettingError) -> None:
        """Add an error of the order of a line."""
        column = _COLUMN_OF.get(error.key, error.key)
        self.add(line, column, error.reason, error.code, **{k: v for k, v in error.values.items() if k != "field"})

    def settle(self) -> None:
        """Raise `SettingErrors` if anything is wrong."""
        if len(self.found) > MOST_ERRORS:
            more = len(self.found) - MOST_ERRORS
            last = coded(
                SettingError(f"and {more} more; correct these first", file=self.file), "further_errors", count=str(more)
            )
            raise SettingErrors([*self.found[:MOST_ERRORS], last])
        if self.found:
            raise SettingErrors(self.found)


def import_samples(laboratory: Laboratory, order: ImportSamples) -> dict[str, Any]:
    """Add the samples of a CSV file, all or none; return them, and whether they are stored.

    Raises:
        SettingErrors: every error of the file, each with its line and column; nothing is stored.
    """
    errors = _Errors(order.file)
    lines = list(_lines(order.text, errors))
    if not lines and not errors.found:
        errors.add(1, "", "has no samples; write one in each line below the line of column names", "import_empty")
    if len(lines) > MOST_SAMPLES:
        reason = f"is one sample too many; a file has at most {MOST_SAMPLES}"
        errors.add(lines[MOST_SAMPLES].number, "", reason, "import_too_many", most=str(MOST_SAMPLES))
        errors.settle()
    samples = _checked(laboratory, lines, errors)
    errors.settle()
    if not order.preview:
        laboratory.change(*(new(s, "sample_added") for s in samples))
    return {"samples": [s.model_dump(mode="json") for s in samples], "stored": not order.preview}


def _lines(text: str, errors: _Errors) -> Iterator[_Line]:
    """Yield the lines below the head; lines without any text are left out."""
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), delimiter=_delimiter(text), strict=True)
    head: list[str] | None = None
    number = 1
    try:
        for cells in reader:
            begin, number = number, reader.line_num + 1
            if not any(c.strip() for c in cells):
                continue
            if head is None:
                head = _head(cells, begin, errors)
                if errors.found:
                    return
            elif len(cells) != len(head):
                reason = f"has {len(cells)} cells, and the line of column names has {len(head)}; put text with a comma "
                reason += "or semicolon in quotes"
                errors.add(begin, "", reason, "import_cells", count=str(len(cells)), columns=str(len(head)))
            else:
                yield _Line(begin, dict(zip(head, cells, strict=True)))
    except csv.Error as error:
        errors.add(number, "", f"is no CSV ({error}); a quote inside quotes is written twice", "import_no_csv")


def _delimiter(text: str) -> str:
    """Return the delimiter that gives the first line the most known columns."""
    first = next((line for line in text.removeprefix("\ufeff").splitlines() if line.strip()), "")

    def known(delimiter: str) -> int:
        cells = next(csv.reader([first], delimiter=delimiter), [])
        return sum(_name(c) in COLUMNS for c in cells)

    return max(DELIMITERS, key=known)


def _name(cell: str) -> str:
    return cell.strip().lower().replace(" ", "_")


def _head(cells: Sequence[str], number: int, errors: _Errors) -> list[str]:
    names = [_name(c) for c in cells]
    for i, name in enumerate(names):
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, 1)
            hint = f"did you mean {near[0]!r}?" if near else f"columns: {', '.join(COLUMNS)}"
            reason = f"{Shown(cells[i])!r} is no column of samples; {hint}"
            known = ", ".join(COLUMNS)
            errors.add(number, str(i + 1), reason, "import_column_unknown", name=name[:SHOWN], columns=known)
        elif name in names[:i]:
            reason = f"{name!r} is there twice; leave one of them out"
            errors.add(number, str(i + 1), reason, "import_column_twice", name=name)
    if "id" not in names:
        errors.add(number, "", "has no column 'id'; the first line names the columns", "import_without_id")
    return names


def _checked(laboratory: Laboratory, lines: Sequence[_Line], errors: _Errors) -> list[Sample]:
    """Return the samples of the lines that have no error."""
    now, samples = laboratory.clock.utc_ns(), []
    own: dict[str, int] = {}
    with laboratory.reader() as reader:
        for line in lines:
            order = _order(line, errors)
            if order is None:
                continue
            if order.id in own:
                first = own[order.id]
                reason = f"{order.id!r} is in line {first} already; each sample has its own id"
                errors.add(line.number, "id", reason, "import_id_twice", sample=order.id, first=str(first))

            def exists(ident: str) -> bool:
                # A corrected batch may be in the same file as its earlier sample, above it.
                return (ident in own and ident != order.id) or find(reader, Sample, ident) is not None  # noqa: B023

            made, wrong = checked(order, laboratory.catalogue, now, exists)
            for error in wrong:
                errors.move(line.number, error)
            if made is not None:
                samples.append(made)
            own.setdefault(order.id, line.number)
    return samples


def _order(line: _Line, errors: _Errors) -> AddSample | None:
    """Return the order of a line; wrong cells are left out of it and added to the errors.  None without an id."""
    data: dict[str, Any] = {}
    for column, raw in line.cells.items():
        value: Any = read_cell(raw)
        table, key = PLACES.get(column, ("", column))
        if column == "state":
            if value not in ("", "open"):
                reason = f"{Shown(value)!r} cannot be imported; only open samples can"
                errors.add(line.number, column, reason, "import_state")
        elif column == "priority":
            data[column] = _priority(value)
            if data.get(column) is None:
                reason = f"{Shown(raw)!r} is no whole number from 1 (first) to 9 (last)"
                errors.add(line.number, column, reason, "import_priority")
                del data[column]
        elif not table:
            data[column] = value
        elif value:
            data.setdefault(table, {})[key] = value
    return _parsed(line, data, errors)


def _parsed(line: _Line, data: dict[str, Any], errors: _Errors) -> AddSample | None:
    """Return the order of a line without the cells that are wrong; None where its id is wrong."""
    try:
        return parse(AddSample, data)
    except SettingError as error:
        found = parts(error)
    for each in found:
        errors.move(line.number, each)
    wrong = {each.key.partition(".")[0] for each in found}
    # The other cells are checked too, so that a person gets all errors at once.
    return None if "id" in wrong else parse(AddSample, {k: v for k, v in data.items() if k not in wrong})


def _priority(text: str) -> int | None:
    if not text:
        return ROUTINE
    return int(text) if text.isascii() and text.isdecimal() and len(text) == 1 and text != "0" else None


ACTS: Final = (Act("sample_import", ImportSamples, "measure", import_samples, clients=True),)
