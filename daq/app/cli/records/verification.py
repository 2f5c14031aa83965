"""``daq verification [INSTRUMENT]``: how instruments stand, what was found, which results a failure puts in doubt."""

import argparse
import json
import time
from typing import Any

from daq.adapters.paths import config_dir
from daq.adapters.store.reading import Reader
from daq.app.cli.common import SHOWN_ID, open_reader, print_json
from daq.app.records.verifications import Entry, InDoubt, entries, in_doubt, standing_of
from daq.app.screens.text import NOTHING, local_time, number, plain, table, utc_iso, value_line
from daq.app.screens.verification_text import OUTCOMES
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError
from daq.methods.planning.standing import Standing, day

SHOWN: int = 20
"""So many verifications of an instrument are listed, the newest ones."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """The instrument."""
    parser.add_argument(
        "instrument", nargs="?", default="", metavar="INSTRUMENT", help="only this one, with its history"
    )
    parser.add_argument("--json", action="store_true", help="print all of it as JSON")


def run(args: argparse.Namespace) -> int:
    """Print it."""
    catalogue = Catalogue.load(config_dir(args.config))
    with open_reader(args) as reader:
        seen = {record.name: record.serial for record in reader.instruments()}
        names = [args.instrument] if args.instrument else sorted({*catalogue.instruments, *seen})
        if args.instrument and args.instrument not in catalogue.instruments and args.instrument not in seen:
            known = ", ".join(sorted({*catalogue.instruments, *seen})) or "none"
            raise SettingError(f"there is no instrument {args.instrument!r}; there are: {known}")
        told = [_told(reader, catalogue, name, seen.get(name)) for name in names]
        if not args.instrument:
            told = [t for t in told if t["history"] or t["overdue"]]
        if args.json:
            print_json(told)
            return 0
        if not told:
            print("no instrument was ever verified; run a method that verifies, with --fluid")
        for one in told:
            for line in _lines(one, whole=bool(args.instrument)):
                print(line)
    return 0


def _told(reader: Reader, catalogue: Catalogue, name: str, serial: str | None) -> dict[str, Any]:
    instrument = catalogue.instruments.get(name)
    found = entries(reader, name)
    now = standing_of(found, instrument, serial, time.time_ns())
    doubt = in_doubt(reader, name, found)
    return {
        "instrument": name,
        "serial": serial,
        "state": now.said,
        "overdue": now.overdue,
        "due": None if now.due_utc_ns is None else day(now.due_utc_ns),
        "said": _said(now),
        "history": [_entry(e) for e in found],
        "failure": None if doubt is None else _doubt(reader, doubt),
    }


def _said(now: Standing) -> str:
    last = now.last
    said = "never verified"
    if last is not None:
        outcome = "passed" if last.passed else "FAILED"
        said = f"{outcome} on {day(last.utc_ns)} ({last.order}, {plain(last.fluid)}, {plain(last.geometry)})"
    if now.overdue:
        said += ", OVERDUE" + ("" if now.due_utc_ns is None else f" since {day(now.due_utc_ns)}")
    elif now.due_utc_ns is not None:
        said += f", due on {day(now.due_utc_ns)}"
    if now.overdue or (last is not None and not last.passed):
        said += ": results are uncertain"
    return said


def _entry(e: Entry) -> dict[str, Any]:
    return {"date": utc_iso(e.utc_ns), "utc_ns": e.utc_ns, "who": e.who, **e.detail}


def _doubt(reader: Reader, doubt: InDoubt) -> dict[str, Any]:
    return {
        "failed": _entry(doubt.failed),
        "last_pass": None if doubt.last_pass is None else _entry(doubt.last_pass),
        "results": [_result(reader, result, run) for result, run in doubt.results],
    }


def _result(reader: Reader, result_id: str, run_id: str) -> dict[str, Any]:
    record, result = reader.run(run_id), reader.result(result_id)
    data = {} if result is None else json.loads(result.data)
    return {
        "result": result_id,
        "run": run_id,
        "began": None if record is None else utc_iso(record.began_utc_ns),
        "began_utc_ns": None if record is None else record.began_utc_ns,
        "sample": "" if record is None else record.sample,
        "product": "" if record is None else record.product,
        "lot": "" if record is None else record.lot,
        "value": value_line(data) if data else NOTHING,
        "validity": data.get("validity"),
    }


def _lines(told: dict[str, Any], *, whole: bool) -> list[str]:
    out = [f"{plain(told['instrument'])}: {told['said']}"]
    if not whole:
        return out
    if told["history"]:
        out += ["", _history(told["history"][-SHOWN:])]
    failure = told["failure"]
    if failure is None:
        return out
    last = failure["last_pass"]
    since = "it was never passed before" if last is None else f"the last pass, {local_time(last['utc_ns'])}"
    head = f"failed on {local_time(failure['failed']['utc_ns'])}; results since {since}:"
    if last is None:
        head = f"failed on {local_time(failure['failed']['utc_ns'])}; {since}. Results until then:"
    rows = [
        [r["run"][:SHOWN_ID], local_time(r["began_utc_ns"]), plain(r["sample"]), plain(r["lot"]), r["value"],
         r["validity"] or NOTHING]
        for r in failure["results"]
    ]  # fmt: skip
    out += ["", head, table(["run", "begun", "sample", "lot", "value", "validity"], rows) if rows else "none"]
    return out


def _history(entries_: list[dict[str, Any]]) -> str:
    rows = [
        [
            e["run"][:SHOWN_ID],
            local_time(e["utc_ns"]),
            e["order"],
            plain(e["fluid"]),
            plain(e["lot"]),
            plain(e["geometry"]),
            ", ".join(_level(level) for level in e["levels"]),
            OUTCOMES[e["passed"]][0],
        ]
        for e in entries_
    ]
    return table(["run", "when", "order", "fluid", "lot", "geometry", "deviation at torque", "outcome"], rows)


def _level(level: dict[str, Any]) -> str:
    deviation, torque = level["deviation_percent"], level["torque_percent"]
    shown = NOTHING if deviation is None else f"{deviation:+.2f} %"
    return f"{shown} at {number(torque, 3)} %"
