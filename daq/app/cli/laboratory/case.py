"""`daq case LOT`: everything that is stored about a lot."""

import argparse
import time
from typing import Any

from daq.app.cli.common import count_of, open_reader, print_json, say_more
from daq.app.cli.printing import print_table, say
from daq.app.laboratory.equipment.casefile import MOST_RUNS, Case, CaseInstrument, CaseRun, case_of
from daq.app.records.checks.audited_checks import Entry
from daq.app.records.checks.outside_calibrations import CALIBRATED
from daq.app.records.run_rows import marks_of, value_of, verdict_of
from daq.app.records.transcriptions import NOT_MEASURED
from daq.app.screens.text import local_time, plain, spaced
from daq.laboratory.kinds import FOUND_OUTSIDE
from daq.process.moments import bound
from daq.quality.digits import NOTHING, SHOWN_ID


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("lot", metavar="LOT")
    parser.add_argument("--until", default="", metavar="TIME", help="only runs started until then")
    parser.add_argument(
        "--limit", type=count_of, default=MOST_RUNS, metavar="N", help=f"at most N runs, the newest ones ({MOST_RUNS})"
    )
    parser.add_argument("--json", action="store_true", help="print all of it as JSON")


def run(args: argparse.Namespace) -> int:
    """Print the case and return the exit code."""
    with open_reader(args) as reader:
        until = bound(args.until, time.time_ns(), "--until", end=True)
        found = case_of(reader, args.lot, limit=args.limit, until_utc_ns=until)
    if args.json:
        print_json(found.as_json())
        if found.more_samples:
            say_more(args.limit)
    else:
        _print(found)
    return 0


def _print(found: Case) -> None:
    say(plain(f"lot {found.lot}: {len(found.samples) + found.more_samples} samples, {len(found.runs)} runs"))
    if found.more_samples:
        say(f"{found.more_samples} of the samples, and what is about them, are left out: go on with a greater --limit")
    if found.examined_from_utc_ns is not None:
        first = local_time(found.examined_from_utc_ns)
        say(f"runs before {first}, and what is about them, are left out; older ones: --until {first!r}")
    if found.runs:
        head = ["run", "started", "sample", "method", "on", "value", "validity", "verdict", "operator"]
        print_table(head, [_row(r) for r in found.runs], right=frozenset({5}))
    for one in found.moved:
        began, lot = local_time(one.run.began_utc_ns), one.run.lot or NOTHING
        say(plain(f"started {began} as a run of this lot, is one of lot {lot} now"), f"run {one.run.run[:SHOWN_ID]}: ")
    for one in (*found.runs, *found.moved):
        for line in _changes(one):
            say(plain(line), f"run {one.run.run[:SHOWN_ID]}: ")
    if found.transcribed:
        say(NOT_MEASURED)
        for value in found.transcribed:
            say(plain(value.words), "  ")
    for instrument in found.instruments:
        for line in _instrument(instrument):
            say(plain(line), f"{plain(instrument.instrument)}: ")
    for document in found.documents:
        state = document.data.get("state") or document.data.get("meaning") or document.data.get("form") or ""
        words = f"{spaced(document.kind)} {document.id[: SHOWN_ID * 4]} {spaced(str(state))}".rstrip()
        say(plain(f"{local_time(document.utc_ns)} {words}, by {document.who}"))


def _row(one: CaseRun) -> list[str]:
    e = one.run
    cells = [
        e.run[:SHOWN_ID],
        local_time(e.began_utc_ns),
        e.sample,
        f"{e.method_id} {e.method_version}",
        e.instrument,
        value_of(e),
        spaced(e.validity or NOTHING),
        ", ".join([verdict_of(e), *marks_of(e)]),
        e.operator,
    ]
    return [plain(cell) for cell in cells]


def _changes(one: CaseRun) -> list[str]:
    lines = []
    for c in one.corrections:
        changed = ", ".join(f"{d['name']} {d['before'] or NOTHING} -> {d['after'] or NOTHING}" for d in c["changes"])
        lines.append(f"{spaced(c['state'])} {c['at']} by {c['who']}: {changed or c['because'] or ''}".rstrip(": "))
    lines += [f"in doubt: {s.text}" for s in one.doubts]
    return lines + [f"note of {n['who']} {n['at']}: {n['text']}" for n in one.notes]


def _instrument(found: CaseInstrument) -> list[str]:
    lines = [f"verification before the first run: {_verification(found.before)}"]
    lines += [f"verification in between: {_verification(v)}" for v in found.between]
    lines.append(f"verification after the last run: {_verification(found.after)}")
    return lines + [
        f"{e['at']} {e['piece']}: {spaced(e['what'].removeprefix('equipment_'))} by {e['who']}"
        + (f": {e['because']}" if e["because"] else "")
        + _found(e)
        for e in found.equipment
    ]


def _found(e: dict[str, Any]) -> str:
    """Return the words that a calibration found its piece outside of its tolerance; "" for another change."""
    outside = e["what"] == CALIBRATED and (e["calibration"] or {}).get("found") == FOUND_OUTSIDE
    return f" ({e['calibration']['certificate']}), found OUTSIDE of its tolerance" if outside else ""


def _verification(found: Entry | None) -> str:
    if found is None:
        return "none"
    word = {True: "passed", False: "FAILED", None: "not decided"}[found.passed]
    condition = spaced(found.detail.condition)
    return f"{local_time(found.utc_ns)} {word} ({condition}, {found.detail.geometry or 'no geometry'})"
