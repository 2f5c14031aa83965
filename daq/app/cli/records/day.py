"""``daq day``: the sheet of a day."""

import argparse
import time
from collections.abc import Sequence

from daq.app.cli.common import count_of, open_reader, print_json, wanted_path
from daq.app.cli.laboratory.acting import identity_arguments
from daq.app.cli.laboratory.report import write_report
from daq.app.cli.printing import hung, terminal_columns
from daq.app.records.sheets.day_counts import Counts
from daq.app.records.sheets.day_sheet import COLUMNS, LISTED, DaySheet, OpenWork, SheetRow, day_sheet
from daq.app.records.transcriptions import NOT_MEASURED
from daq.app.screens.tables import table
from daq.app.screens.text import local_time, plain
from daq.process.moments import bound_of_day, span_of_day
from daq.quality.digits import SHOWN_ID

DAY_NS = 86_400 * 10**9


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("date", nargs="?", default="", metavar="DATE", help="the day: 2026-11-26 (today)")
    parser.add_argument("--instrument", default="", metavar="NAME", help="only runs on this instrument")
    parser.add_argument("--until", default="", metavar="TIME", help="list only runs started until then: 14:20")
    parser.add_argument(
        "--limit", type=count_of, default=LISTED, metavar="N", help=f"list at most N runs, the newest ones ({LISTED})"
    )
    parser.add_argument("--json", action="store_true", help="print it as JSON")
    parser.add_argument("--pdf", metavar="FILE", type=wanted_path, help="make the sheet as a new PDF file")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Print the sheet."""
    now = time.time_ns()
    day = args.date or local_time(now)[: len("2026-11-26")]
    begin, end = span_of_day(day, now)
    if args.pdf is not None:
        write_report(args, "report_day", {"day": day, "instrument": args.instrument}, args.pdf, "--pdf")
        return 0
    with open_reader(args) as reader:
        until = bound_of_day(args.until, day, now, "--until")
        sheet = day_sheet(reader, begin, end, args.instrument, limit=args.limit, until_utc_ns=until)
        newest = reader.runs(limit=1, instrument=args.instrument) if not sheet.counts.runs else []
    if args.json:
        print_json({"day": day} | sheet.as_json())
        return 0
    where = f" on {plain(args.instrument)}" if args.instrument else ""
    lines = text_of(day, where, sheet, terminal_columns())
    if newest:
        lines[1:1] = [f"the newest run{where} started {local_time(newest[0].began_utc_ns)}"]
    print("\n".join(lines))
    return 0


def text_of(day: str, where: str, sheet: DaySheet, columns: int | None) -> list[str]:
    """Return the sheet in lines of at most `columns` (None: no limit)."""
    clocks = "" if sheet.end_utc_ns - sheet.begin_utc_ns == DAY_NS - 1 else " (clocks change on this day)"
    lines = hung(f"{day}{where}{clocks}", "", columns)
    if not sheet.counts.runs:
        lines += ["no runs"]
    for name, rows in sheet.instruments.items():
        lines += ["", *hung(plain(name), "", columns), *_rows(rows, columns, offsets=bool(clocks))]
    lines += ["", *hung(_counts(sheet.counts), "", columns)]
    if sheet.listed_from_utc_ns is not None:
        first = local_time(sheet.listed_from_utc_ns)
        lines += hung(f"runs before {first} are counted, but not listed; older ones: --until {first!r}", "", columns)
    if sheet.transcribed:
        lines += ["", *hung(NOT_MEASURED, "", columns)]
        lines += [row for t in sheet.transcribed for row in hung(plain(t.words), "  ", columns)]
        before = sheet.transcribed_count - len(sheet.transcribed)
        if before:
            lines += hung(f"and {before} values before them: go on with a greater --limit", "  ", columns)
    lines += [row for text in _open(sheet.open) for row in hung(text, "open now: ", columns)]
    return lines


def _rows(rows: Sequence[SheetRow], columns: int | None, *, offsets: bool) -> list[str]:
    cells = [[_time(r.run.began_utc_ns, offset=offsets), *r.cells] for r in rows]
    shown = [[plain(cell) for cell in row] for row in cells]
    return table(COLUMNS, shown, right=frozenset({4}), columns=columns).splitlines()


def _time(utc_ns: int, *, offset: bool) -> str:
    # On a day on which clocks change, an hour can occur twice.
    form = "%H:%M %z" if offset else "%H:%M"
    return time.strftime(form, time.localtime(utc_ns // 10**9))


def _counts(c: Counts) -> str:
    parts = [
        f"{c.valid} valid",
        f"{c.doubtful} doubtful",
        f"{c.not_valid} not valid",
        f"{c.without_result} without result",
    ]
    more = [
        f"{c.outside} outside limits",
        f"{c.undecided} undecided",
        f"{c.repeats} repeats",
        f"{c.without_product} without product",
    ]
    return f"{c.runs} runs: {', '.join(parts)}; of all: {', '.join(more)}"


def _open(work: OpenWork) -> list[str]:
    out = [f"run {plain(r[:SHOWN_ID])} has no end yet" for r in work.running]
    out += [f"the motor of {plain(name)} may still be turning" for name in work.motors_in_doubt]
    out += [
        f"sample {plain(s.id)}"
        + "".join(
            f", {label} {plain(v)}" for label, v in (("product", s.product), ("lot", s.lot), ("on", s.bench)) if v
        )
        + (f", due {plain(s.due)}" if s.due else "")
        for s in work.samples
    ]
    out += ["more samples: `daq sample list`"] if work.more_samples else []
    if work.messages_waiting or work.messages_refused:
        out.append(f"{work.messages_waiting} messages wait for the broker, {work.messages_refused} are refused")
    return out or ["nothing"]
