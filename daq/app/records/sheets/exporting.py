"""Export readings, kept values and notes as CSV or JSON, for spreadsheets and scripts.

CSV follows RFC 4180: commas, quotes doubled, lines ended by CR LF; UTF-8.  Units are UCUM codes in the header.  Numbers
are written so that they read back bit for bit.  By choice they have a decimal comma; semicolons then separate the
cells, as spreadsheets with such a setting expect.
"""

import csv
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import IO, Any, Final, Literal

from daq.adapters.store.records import StoredRecord
from daq.adapters.store.rows import RunRecord
from daq.app.records.readings import Reading, Readings
from daq.app.screens.json_text import harmless_json
from daq.app.screens.text import utc_iso

Format = Literal["csv", "json"]
FORMULA_SIGNS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""Characters that start a formula in a spreadsheet, four of them in full width (OWASP, CSV injection)."""
Decimal = Literal["point", "comma"]
STATISTICS: Final = ("n", "mean", "sd", "minimum", "maximum", "slope", "lag1", "last", "mean_of_ratios")
WITH_UNIT: Final = frozenset({"mean", "sd", "minimum", "maximum", "last", "mean_of_ratios"})

Cell = str | float | int | bool | None
Row = dict[str, Cell]


def safe_cell(text: str) -> str:
    """Return `text` with an apostrophe before it if a spreadsheet could run it as a formula, or a reader change it.

    Example: ``=1+1`` becomes ``'=1+1``.  Leading spaces before the sign are ignored.  A text that begins like a
    marked one, or that has space at an end, gets one too, so that `read_cell` gives every text again.
    """
    return "'" + text if _is_marked(text) else text


def read_cell(cell: str) -> str:
    """Return the text of a cell that `safe_cell` wrote; outer space of a cell that a person wrote is left out."""
    for text in (cell, cell.strip()):
        if text.startswith("'") and _is_marked(text[1:]):
            return text[1:]
    return cell.strip()


def _is_marked(text: str) -> bool:
    """Return whether `safe_cell` marks a text; apostrophes before it change nothing, so each mark is taken once."""
    bare = text.lstrip("'")
    return bare.lstrip(" ").startswith(FORMULA_SIGNS) or bare != bare.strip()


def headed(name: str, unit: str) -> str:
    """Return the heading of a column, such as ``torque [%]``; without brackets if the unit is 1."""
    return name if unit in ("", "1") else f"{name} [{unit}]"


def reading_columns(readings: Readings) -> list[str]:
    """Return the headings of the columns of `reading_rows`."""
    fixed = ["time [s]", "utc", "instrument", "state", "step"]
    return [*fixed, *(headed(n, u) for n, u in readings.units.items()), "faults", "repeat"]


def reading_rows(readings: Readings) -> Iterator[Row]:
    """Yield one row for each reading; the cells of other instruments' signals are empty."""
    headings = {name: headed(name, unit) for name, unit in readings.units.items()}
    for reading in readings:
        yield _reading_row(reading, headings)


def _reading_row(reading: Reading, headings: Mapping[str, str]) -> Row:
    row: Row = {
        "time [s]": reading.begin_s,
        "utc": utc_iso(reading.utc_ns) if reading.utc_ns else None,
        "instrument": reading.link,
        "state": reading.state,
        "step": reading.step or None,
    }
    row |= {headings[name]: value for name, value in reading.values.items()}
    return row | {"faults": "; ".join(reading.faults) or None, "repeat": int(reading.repeat)}


def kept_columns(units: Mapping[str, str]) -> list[str]:
    """Return the headings of the columns of `kept_rows`."""
    fixed = ["step", "step name", "at", "statistic", "time [s]", "utc", "span [s]", "asked [s]", "revolutions [{rev}]"]
    fixed += ["completeness", "longest interval [s]", "rule", "faults"]
    return [*fixed, *(_statistic(name, s, unit) for name, unit in units.items() for s in STATISTICS)]


def kept_rows(
    kept: Iterable[Mapping[str, Any]], units: Mapping[str, str], steps: list[str], began: int, utc_offset: int
) -> Iterator[Row]:
    """Yield one row for each kept value (as stored), with the statistics of every signal over its span.

    Args:
        kept: the kept values.
        units: UCUM code by signal.
        steps: names of the steps.
        began: start of the run (ns, monotonic).
        utc_offset: UTC minus monotonic time (ns); 0 if unknown.
    """
    for k in kept:
        number = int(k["step"])
        row: Row = {
            "step": number + 1,
            "step name": steps[number] if number < len(steps) else None,
            "at": k["at"],
            "statistic": k["statistic"],
            "time [s]": (k["t"] - began) / 1e9,
            "utc": utc_iso(k["t"] + utc_offset) if utc_offset else None,
            "span [s]": (k["t"] - k["start"]) / 1e9,
            "asked [s]": k["asked_ns"] / 1e9,
            "revolutions [{rev}]": k["revolutions"],
            "completeness": k["completeness"],
            "longest interval [s]": k["longest_interval_ns"] / 1e9,
            "rule": k["rule"] or None,
            "faults": "; ".join(k["faults"]) or None,
        }
        for name, unit in units.items():
            summary = k["summaries"].get(name, {})
            row |= {_statistic(name, s, unit): summary.get(s) for s in STATISTICS}
        yield row


def _statistic(name: str, statistic: str, unit: str) -> str:
    if statistic == "slope":
        return f"{name} slope [{unit}/s]" if unit not in ("", "1") else f"{name} slope [/s]"
    return headed(f"{name} {statistic}", unit if statistic in WITH_UNIT else "")


NOTE_COLUMNS: Final = ["utc", "who", "note"]
"""Headings of the columns of `note_rows`."""


def note_rows(notes: Iterable[StoredRecord]) -> Iterator[Row]:
    """Yield one row for each note of a person about the run, oldest first."""
    for note in notes:
        yield {"utc": utc_iso(note.utc_ns), "who": note.who, "note": note.data["text"]}


def about(run: RunRecord) -> dict[str, Any]:
    """Return the description of the run that JSON has before the rows."""
    return {
        "run": run.id,
        "sample": run.sample,
        "product": run.product or None,
        "lot": run.lot or None,
        "method_id": run.method_id,
        "method_version": run.method_version,
        "instrument": run.instrument,
        "simulated": run.simulated,
        "began": utc_iso(run.began_utc_ns),
    }


def write(
    form: Format, out: IO[str], run: RunRecord, columns: list[str], rows: Iterable[Row], decimal: Decimal = "point"
) -> int:
    """Write rows in a format and return their number.  `out` must not translate line ends; `decimal` is for CSV."""
    return write_csv(out, columns, rows, decimal) if form == "csv" else _write_json(out, run, columns, rows)


def write_csv(out: IO[str], columns: Sequence[str], rows: Iterable[Row], decimal: Decimal = "point") -> int:
    """Write rows as CSV and return their number; text that a spreadsheet could run as a formula is made harmless."""
    writer = csv.writer(out, lineterminator="\r\n", delimiter=";" if decimal == "comma" else ",")
    writer.writerow([safe_cell(c) for c in columns])
    count = 0
    for row in rows:
        writer.writerow([_csv_cell(row.get(column), decimal) for column in columns])
        count += 1
    return count


def _csv_cell(value: Cell, decimal: Decimal) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return safe_cell(value)
    return repr(value).replace(".", ",") if decimal == "comma" else repr(value)


def _write_json(out: IO[str], run: RunRecord, columns: list[str], rows: Iterable[Row]) -> int:
    """Write one row per line, so that a long run needs no more memory than one row."""
    head = harmless_json(json.dumps({"about": about(run), "columns": columns}, ensure_ascii=False))
    out.write(head[:-1] + ', "rows": [')
    count = 0
    for row in rows:
        cells = harmless_json(json.dumps([row.get(column) for column in columns], ensure_ascii=False, allow_nan=False))
        out.write(("," if count else "") + "\n" + cells)
        count += 1
    out.write("\n]}\n")
    return count
