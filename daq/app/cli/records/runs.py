"""``daq runs``: list the runs."""

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.cli.common import SHOWN_ID, open_reader, print_json
from daq.app.cli.printing import print_table, say
from daq.app.screens.text import local_time, plain, shown_value, spaced, utc_iso
from daq.core.encoding import encode
from daq.core.units import symbol
from daq.quality.digits import NOTHING


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--instrument", default="", metavar="NAME", help="only runs on this instrument")
    parser.add_argument("--sample", default="", metavar="ID", help="only runs of this sample")
    parser.add_argument("--limit", type=_count, default=20, metavar="N", help="at most N runs, newest first (20)")
    parser.add_argument("--json", action="store_true", help="print them as JSON")


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of runs; write 1 or more")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Print the newest runs first."""
    with open_reader(args) as reader:
        found = reader.runs(limit=args.limit, instrument=args.instrument, sample=args.sample)
        entries = [entry(reader, record) for record in found]
        used = [] if entries else reader.instruments_with_runs()
    if entries or args.json:
        print_runs(entries, as_json=args.json)
    else:
        unknown = args.instrument and args.instrument not in used
        say(f"no runs on {plain(args.instrument)}; used so far: {', '.join(used) or 'none'}" if unknown else "no runs")
    return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One run with its newest result; None for a value that does not exist."""

    run: str
    began: str | None
    began_utc_ns: int
    ended: str | None
    sample: str
    product: str | None
    lot: str | None
    method_id: str
    method_version: str
    instrument: str
    operator: str
    attribution: str
    simulated: bool
    state: str
    outcome: str | None
    reason: str | None
    reason_code: str | None
    """Code of the reason, for other languages; None where the result does not state it."""
    motor: str | None
    quantity: str | None
    value: float | None
    reported: str | None
    shown: str | None
    unit: str | None
    quality: str | None
    validity: str | None
    verdict: str | None
    corrected: bool


def _code_of(reason: str, data: dict[str, Any]) -> str | None:
    """Return the code of the reason for which a run ended; the store has its text, the result has the statement."""
    stated = [*data.get("reasons", ()), (data.get("span") or {}).get("stop_reason")]
    return next((s["code"] for s in reversed(stated) if s and s["text"] == reason), None)


def entry(reader: Reader, record: RunRecord) -> Entry:
    """Return one run with its newest result."""
    newest = reader.newest_result(record.id)
    data: dict[str, Any] = {} if newest is None else json.loads(newest.data)
    return Entry(
        run=record.id,
        began=utc_iso(record.began_utc_ns),
        began_utc_ns=record.began_utc_ns,
        ended=utc_iso(record.ended_utc_ns),
        sample=record.sample,
        product=record.product or None,
        lot=record.lot or None,
        method_id=record.method_id,
        method_version=record.method_version,
        instrument=record.instrument,
        operator=record.operator,
        attribution=record.attribution,
        simulated=record.simulated,
        state=record.state,
        outcome=record.outcome or None,
        reason=record.reason or None,
        reason_code=_code_of(record.reason, data),
        motor=record.motor or None,
        quantity=data.get("quantity"),
        value=data.get("value"),
        reported=data.get("reported"),
        shown=None if data.get("value") is None else shown_value(data),
        unit=data.get("unit"),
        quality=data.get("quality"),
        validity=data.get("validity"),
        verdict=(data.get("verdict") or {}).get("verdict"),
        corrected=newest is not None and newest.supersedes is not None,
    )


def print_runs(entries: Sequence[Entry], *, as_json: bool) -> None:
    """Print runs as a table or as JSON."""
    if as_json:
        print_json([encode(e) for e in entries])
        return
    head = ["run", "started", "sample", "method", "on", "value", "quality", "validity", "verdict"]
    # `daq show` has the quality of each result.
    print_table(head, [_row(e) for e in entries], right=frozenset({5}), drop=[6])


def _row(e: Entry) -> list[str]:
    value = NOTHING
    if e.value is not None:
        value = f"{e.shown} {symbol(e.unit or '')}".rstrip()
    verdict = "no limits" if e.verdict == "none" else spaced(e.verdict or NOTHING)
    if e.state == "running":
        verdict = "running"
    elif e.outcome not in (None, "complete"):
        verdict = e.outcome
    marks = (", simulated" if e.simulated else "") + (", corrected" if e.corrected else "")
    cells = [
        e.run[:SHOWN_ID],
        local_time(e.began_utc_ns),
        e.sample,
        f"{e.method_id} {e.method_version}",
        e.instrument,
        value,
        (e.quality or NOTHING).partition("_")[0],
        spaced(e.validity or NOTHING),
        verdict + marks,
    ]
    return [plain(cell) for cell in cells]
