"""``daq verification [INSTRUMENT]``: state and history of verifications, and the results that a failure affects."""

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from daq.adapters.paths import config_dir
from daq.adapters.store.forms.result_values import DamagedResultError, whole_values_of
from daq.adapters.store.reading import Reader
from daq.app.cli.common import open_reader, print_json, wanted_path
from daq.app.cli.laboratory.acting import identity_arguments
from daq.app.cli.printing import hung, say, terminal_columns
from daq.app.records.checks.audited_checks import Entry, entries, pair_of
from daq.app.records.checks.controls import control_of
from daq.app.records.checks.doubts import InDoubt, in_doubt
from daq.app.records.checks.instrument_history import standing_of
from daq.app.screens.tables import table
from daq.app.screens.text import local_time, plain, spaced, utc_iso, value_line
from daq.app.screens.verification_text import OUTCOMES
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import fits_of, with_fits
from daq.core.context import RequiredControl
from daq.core.encoding import encode
from daq.core.errors import SettingError
from daq.methods.planning.standing import AuditedLevel, Pair, Standing, day
from daq.quality.digits import NOTHING, SHOWN_ID, number

TO_VERIFY = "run a method that verifies, with --fluid"
IN_DOUBT: int = 50
"""Number of results in doubt that are listed, the newest ones."""
SHOWN: int = 20
"""Number of verifications listed for an instrument, the newest ones."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "instrument", nargs="?", default="", metavar="INSTRUMENT", help="only this one, with its history"
    )
    parser.add_argument("--json", action="store_true", help="print all of it as JSON")
    parser.add_argument(
        "--pdf", metavar="FILE", type=wanted_path, help="make the certificate of its newest verification as a new file"
    )
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Print the state of each instrument; of a named one its history and its results in doubt, too."""
    catalogue = Catalogue.load(config_dir(args.config), "instruments")
    with open_reader(args) as reader:
        catalogue = with_fits(catalogue, fits_of(reader, catalogue.instruments))
        seen = {record.name: record.serial for record in reader.instruments()}
        names = [args.instrument] if args.instrument else sorted({*catalogue.instruments, *seen})
        if args.instrument and args.instrument not in catalogue.instruments and args.instrument not in seen:
            known = ", ".join(sorted({*catalogue.instruments, *seen})) or "none"
            raise SettingError(f"there is no instrument {args.instrument!r}; there are: {known}")
        # JSON has all of them; a table lists the newest ones and the number of the others.
        most = sys.maxsize if args.json else IN_DOUBT if args.instrument else 0
        shown = [_verifications_of(reader, catalogue, name, seen.get(name), most) for name in names]
        if args.pdf is not None:
            return _make(args, shown[0] if args.instrument else None)
        if not args.instrument:
            shown = [t for t in shown if t.history or t.now.overdue or t.control is not None]
        if args.json:
            print_json([t.as_json() for t in shown])
            return 0
        if not shown:
            say(f"no instrument was ever verified; {TO_VERIFY}")
        for one in shown:
            for line in _lines(one, terminal_columns(), whole=bool(args.instrument)):
                print(line)
    return 0


def _make(args: argparse.Namespace, found: "_Verifications | None") -> int:
    if found is None or not found.history:
        raise SettingError("name an instrument that was verified", key="--pdf")
    from daq.app.cli.laboratory.report import write_report

    write_report(args, "report_make", {"of": found.history[-1].run}, args.pdf, "--pdf")
    return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Doubtful:
    """A result that a failed verification puts in doubt."""

    result: str
    run: str
    began: str | None
    began_utc_ns: int | None
    sample: str
    product: str
    lot: str
    value: str
    validity: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Verifications:
    """An instrument's verifications."""

    instrument: str
    serial: str | None
    geometry: str
    """Name of the measuring geometry to which `now` belongs."""
    now: Standing
    others: Sequence[tuple[str, Standing]]
    """State with each other measuring geometry that was verified."""
    history: Sequence[Entry]
    control: RequiredControl | None
    """The required control of the shift; None where the file of the instrument requires none."""
    doubt: InDoubt | None
    doubtful: Sequence[_Doubtful]

    def as_json(self) -> dict[str, Any]:
        due = self.now.due_utc_ns
        return {
            "instrument": self.instrument,
            "serial": self.serial,
            "geometry": self.geometry,
            "state": self.now.text,
            "overdue": self.now.overdue,
            "due": None if due is None else day(due),
            "text": _state_words(self.now),
            "other_geometries": [
                {"geometry": name, "state": now.text, "text": _state_words(now)} for name, now in self.others
            ],
            "control": None if self.control is None else encode(self.control),
            "history": [_entry(e) for e in self.history],
            "failure": None
            if self.doubt is None
            else {
                "failed": _entry(self.doubt.failed),
                "last_pass": None if self.doubt.last_pass is None else _entry(self.doubt.last_pass),
                "results": [encode(r) for r in self.doubtful],
            },
        }


def _verifications_of(
    reader: Reader, catalogue: Catalogue, name: str, serial: str | None, most: int = sys.maxsize
) -> _Verifications:
    found = entries(reader, name)
    doubt = in_doubt(reader, found)
    instrument = catalogue.instruments.get(name)
    newest = {_pair(e, serial): e for e in found}
    own = next(reversed(newest), Pair(serial or "")) if instrument is None else pair_of(instrument, serial)
    now = time.time_ns()
    return _Verifications(
        instrument=name,
        serial=serial,
        geometry=own.geometry,
        now=standing_of(reader, found, instrument, own, now, catalogue),
        others=[
            (pair.geometry, standing_of(reader, found, instrument, pair, now, catalogue))
            for pair, entry in newest.items()
            if not own.counts(entry.verified)
        ],
        history=found,
        control=None if instrument is None else control_of(reader, instrument, own, now),
        doubt=doubt,
        doubtful=[] if doubt is None else [_result(reader, result, run) for result, run in _last(doubt.results, most)],
    )


def _pair(entry: Entry, serial: str | None) -> Pair:
    """Return the pair of a verification, with the serial number that the instrument has now where it is known."""
    data = entry.data
    return Pair(serial or data["serial"], data["geometry"], data["geometry_serial"])


def _state_words(now: Standing) -> str:
    last = now.last
    words = "never verified"
    if last is not None:
        outcome = "passed" if last.passed else "FAILED"
        details = f"{spaced(last.condition)}, {plain(last.fluid)}, {plain(last.geometry)}"
        words = f"{outcome} on {day(last.utc_ns)} ({details})"
    if now.overdue:
        words += ", OVERDUE"
        if now.future_pass_utc_ns is not None:
            words += f" (the last pass is dated {day(now.future_pass_utc_ns)}, in the future; a clock was set back)"
        elif now.due_utc_ns is not None:
            words += f" since {day(now.due_utc_ns)}"
    elif now.due_utc_ns is not None:
        words += f", due on {day(now.due_utc_ns)}"
    if now.overdue or (last is not None and not last.passed):
        words += ": results are uncertain"
    return words


def _control_words(control: RequiredControl) -> str:
    words = spaced(control.state)
    if control.last is not None:
        words += f", run {control.last.run[:SHOWN_ID]} of {local_time(control.last.utc_ns)}"
    return words if control.state == "passed" else f"{words}: results are uncertain"


def _entry(e: Entry) -> dict[str, Any]:
    own = {"passed": e.passed, "not_authorised": e.not_authorised}
    return {"date": utc_iso(e.utc_ns), "utc_ns": e.utc_ns, "who": e.who, **encode(e.detail), **own}


def _result(reader: Reader, result_id: str, run_id: str) -> _Doubtful:
    record, result = reader.run(run_id), reader.result(result_id)
    value, validity = NOTHING, None
    try:
        if result is not None:
            data = whole_values_of(result)
            value, validity = value_line(data), data["validity"]
    except DamagedResultError:  # it ends no list, and stays in doubt
        value = "damaged"
    return _Doubtful(
        result=result_id,
        run=run_id,
        began=None if record is None else utc_iso(record.began_utc_ns),
        began_utc_ns=None if record is None else record.began_utc_ns,
        sample="" if record is None else record.sample,
        product="" if record is None else record.product,
        lot="" if record is None else record.lot,
        value=value,
        validity=validity,
    )


def _lines(found: _Verifications, columns: int | None, *, whole: bool) -> list[str]:
    out = hung(_state_words(found.now), f"{plain(found.instrument)}: ", columns)
    for geometry, now in found.others:
        out += hung(_state_words(now), f"  with {plain(geometry)}: ", columns)
    if found.control is not None:
        out += hung(_control_words(found.control), f"  control {plain(found.control.fluid)}: ", columns)
    if not whole:
        return out
    if found.now.last is None:
        out += hung(TO_VERIFY, "  to verify it: ", columns)
    if found.history:
        out += ["", _history(found.history[-SHOWN:], columns)]
    if found.doubt is None:
        return out
    failed, last = local_time(found.doubt.failed.utc_ns), found.doubt.last_pass
    if last is None:
        head = f"failed on {failed}; it was never passed before. Results until then:"
    else:
        head = f"failed on {failed}; results since the last pass, {local_time(last.utc_ns)}:"
    rows = [
        [
            r.run[:SHOWN_ID],
            local_time(r.began_utc_ns),
            plain(r.sample),
            plain(r.lot),
            r.value,
            spaced(r.validity or NOTHING),
        ]
        for r in found.doubtful
    ]
    heads = ["run", "started", "sample", "lot", "value", "validity"]
    out += ["", *hung(head, "", columns), table(heads, rows, columns=columns) if rows else "none"]
    before = len(found.doubt.results) - len(found.doubtful)
    more = f"and {before} results before them: daq affected {found.doubt.failed.run[:SHOWN_ID]}, or --json"
    return [*out, *(hung(more, "", columns) if before else [])]


def _history(found: Sequence[Entry], columns: int | None) -> str:
    rows = [
        [
            e.run[:SHOWN_ID],
            local_time(e.utc_ns),
            spaced(e.detail.condition),
            plain(e.detail.fluid),
            plain(e.detail.lot),
            plain(e.detail.geometry),
            ", ".join(_level(level) for level in e.detail.levels),
            OUTCOMES[e.passed][0],
        ]
        for e in found
    ]
    head = ["run", "when", "condition", "fluid", "lot", "geometry", "deviation at torque", "outcome"]
    return table(head, rows, columns=columns)


def _level(level: AuditedLevel) -> str:
    deviation = level.deviation_percent
    shown = NOTHING if deviation is None else f"{deviation:+.2f} %"
    return f"{shown} at {number(level.torque_percent, 3)} %"


def _last(found: Sequence[tuple[str, str]], most: int) -> Sequence[tuple[str, str]]:
    return found[max(0, len(found) - most) :]
