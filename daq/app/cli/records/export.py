"""``daq export RUN``: write the readings, kept values or notes of a run as CSV or JSON."""

import argparse
import sys
from collections.abc import Iterable
from typing import Any

from daq.adapters.store.agreement.one_run import disagreements_of_run
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.cli.common import RUN_HELP, archive_argument, open_reader, output, wanted_path
from daq.app.laboratory.named_runs import find_run
from daq.app.records.history import plan_of, raw_journal
from daq.app.records.readings import Readings, clock_of
from daq.app.records.replaying import maker
from daq.app.records.run_notes import notes_of
from daq.app.records.sheets.exporting import (
    NOTE_COLUMNS,
    Row,
    kept_columns,
    kept_rows,
    note_rows,
    reading_columns,
    reading_rows,
    write,
)
from daq.app.screens.text import plain
from daq.app.setup.drivers import Drivers
from daq.core.effects import recorded
from daq.core.errors import SettingError, StoreError
from daq.core.replay import replay


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN_HELP)
    parser.add_argument(
        "--what", choices=("readings", "kept", "notes"), default="readings", help="what to write (readings)"
    )
    parser.add_argument("--format", choices=("csv", "json"), default="csv", help="how to write it (csv)")
    parser.add_argument(
        "--decimal",
        choices=("point", "comma"),
        default="point",
        help="CSV with this decimal sign; with a comma, semicolons separate the cells (point)",
    )
    parser.add_argument(
        "--anyway", action="store_true", help="write it although what is stored of the run does not agree"
    )
    parser.add_argument(
        "-o", "--output", metavar="FILE", type=wanted_path, help="a new file; otherwise the standard output"
    )
    archive_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Write the rows."""
    if args.format == "json" and args.decimal == "comma":
        raise SettingError("goes with --format csv; JSON has a point", key="--decimal")
    with open_reader(args) as reader:
        record = find_run(reader, args.run)
        _check(reader, record.id, anyway=args.anyway)
        if args.what == "notes":
            count = _write(args, record, NOTE_COLUMNS, note_rows(notes_of(reader, record.id)))
            return _written(args, count)
        raw, trouble = raw_journal(reader, record.id)
        if trouble:
            print(f"daq: the journal is damaged; the part before the damage is written: {trouble}", file=sys.stderr)
        make = maker(Drivers.find())
        readings = Readings(raw, make, plan_of(record))
        if args.what == "readings":
            columns, rows = reading_columns(readings), reading_rows(readings)
        else:
            columns = kept_columns(readings.units)
            kept = _kept(reader, record, raw, make)
            began, offset = clock_of(raw)
            rows = kept_rows(kept, readings.units, [s.name for s in readings.plan.steps], began, offset)
        count = _write(args, record, columns, rows)
    return _written(args, count)


def _write(args: argparse.Namespace, record: RunRecord, columns: list[str], rows: Iterable[Row]) -> int:
    with output(args.output) as out:
        return write(args.format, out, record, columns, rows, args.decimal)


def _written(args: argparse.Namespace, count: int) -> int:
    if args.output is not None:
        print(f"{count} rows written to {args.output}")
    return 0


def _check(reader: Reader, run_id: str, *, anyway: bool) -> None:
    """Refuse, or with `anyway` announce, data that were changed after they were stored.

    Raises:
        StoreError: the copies of a fact differ.
    """
    found = disagreements_of_run(reader.path, run_id)
    if found and not anyway:
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        raise StoreError(
            f"run {run_id} is not exported, because what is stored of it does not agree: {found[0].text}{more}; "
            "--anyway writes it with this warning"
        )
    for d in found:
        print(f"daq: does not agree: {plain(d.text)}", file=sys.stderr)


def _kept(reader: Reader, run: RunRecord, raw: bytes, make: Any) -> list[Any]:
    stored = reader.kept(run.id)
    if stored:
        return stored
    again = replay(raw, make)
    if again.difference is not None:
        raise StoreError(f"no kept values are stored, and the journal gives other effects:\n{again.difference}")
    if again.kept:
        print("daq: no kept values are stored; these are computed again from the journal", file=sys.stderr)
    return [recorded(k) for k in again.kept]
