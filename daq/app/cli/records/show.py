"""``daq show RUN``: show a run, its result, and the data that the result is made from."""

import argparse
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daq.adapters.store.agreement.one_run import disagreements_of_run
from daq.app.cli.common import RUN_HELP, archive_argument, open_reader, print_json, wanted_path
from daq.app.cli.printing import print_lines, terminal_columns
from daq.app.cli.records.budget_lines import budget_lines
from daq.app.cli.records.change_lines import (
    PIPED_COLUMNS,
    correction_lines,
    disagreement_lines,
    note_lines,
    release_line,
    report_lines,
    signature_lines,
)
from daq.app.cli.records.checklist_lines import checklist_lines
from daq.app.cli.records.clock_rows import clock_rows
from daq.app.cli.run_list import print_runs
from daq.app.laboratory.named_runs import find_run, find_runs
from daq.app.laboratory.reporting.tracing import reports_of_run
from daq.app.records.derived import curve_head, flow_curve, steadiness_lines
from daq.app.records.history import History, history, raw_journal
from daq.app.records.run_rows import entry
from daq.app.records.transcriptions import NOT_MEASURED
from daq.app.screens.digits import large_digits
from daq.app.screens.geometry_text import geometry_lines
from daq.app.screens.result_screen import result_lines
from daq.app.screens.styled_lines import Line, wrapped
from daq.app.screens.tables import table
from daq.app.screens.text import (
    digits_of,
    ended,
    fixed,
    fold,
    local_time,
    plain,
    sentence,
    spaced,
    span,
    width,
)
from daq.app.screens.verification_text import verification_table
from daq.core.errors import SettingError
from daq.core.faults import ANNULLED
from daq.core.units import symbol
from daq.methods.messages.leaves import unit_of
from daq.methods.parts.measured import KeptValue
from daq.quality.digits import NOTHING, SHOWN_ID, number, significant

if TYPE_CHECKING:
    from daq.core.effects import StepEnded
    from daq.methods.curves.curvedata import FlowCurveData

EXIT_DISAGREES = 13
"""Exit code where the stored copies of a fact of the run differ."""
Counters = dict[str, dict[str, Any]]


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN_HELP)
    parser.add_argument("--json", action="store_true", help="print all of it as JSON")
    parser.add_argument(
        "--details",
        action="store_true",
        help="replay the journal, too: how steady the readings were, and the counters of the lines",
    )
    parser.add_argument("--svg", metavar="FILE", type=wanted_path, help="draw the flow curve into a new file")
    archive_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Print the run; all runs of a sample as a list, if there are several."""
    with open_reader(args) as reader:
        named = find_runs(reader, args.run)
        if len(named) > 1 and args.svg is None:
            print_runs([entry(reader, r) for r in named], as_json=args.json)
            return 0
        found = history(reader, find_run(reader, args.run))
        raw = raw_journal(reader, found.run.id)[0] if args.details and not found.journal.archived else b""
        reports = reports_of_run(reader, found.run.id)
        disagreements = [d.text for d in disagreements_of_run(reader.path, found.run.id)]
    curve = flow_curve(found)
    if args.svg is not None:
        _draw(args.svg, found, curve)
        return 0
    counters = _count(raw) if args.details else None
    if args.json:
        points = None if curve is None else curve.model_dump(mode="json")
        more = {"counters": counters, "flow_curve": points, "reports": reports, "disagreements": disagreements}
        print_json(found.as_json() | more)
    else:
        steady = _steadiness(found, raw) if args.details else []
        lines = lines_of(found, counters, terminal_columns(), curve=curve, steadiness=steady, reports=reports)
        print_lines([*disagreement_lines(disagreements, terminal_columns()), *lines])
    return EXIT_DISAGREES if disagreements else 0


def _draw(path: Path, found: History, curve: "FlowCurveData | None") -> None:
    if curve is None:
        raise SettingError(f"run {found.run.id} has no flow curve: its method asks for none, or it has no result")
    from daq.app.screens.drawings.curve_svg import svg

    title = f"{found.run.sample}, {found.run.method_id} {found.run.method_version}"
    try:
        with path.open("x", encoding="utf-8") as out:
            out.write(svg(curve, title, curve_head(found.data or {})))
    except FileExistsError:
        raise SettingError("exists already; name a new file", file=str(path), key="--svg") from None
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}; choose another place", file=str(path)) from error
    print(f"flow curve drawn into {path}")


def _steadiness(found: History, raw: bytes) -> list[str]:
    from daq.app.records.replaying import maker
    from daq.app.setup.drivers import Drivers

    try:
        return steadiness_lines(found, raw, maker(Drivers.find()))
    except SettingError as error:  # a driver that is not installed any more
        return [str(error)]


def _count(raw: bytes) -> Counters:
    """Return the counters of each link; they are not stored, a replay of the journal gives them."""
    from daq.app.records.replaying import maker
    from daq.app.setup.drivers import Drivers
    from daq.core.replay import replay

    try:
        return replay(raw, maker(Drivers.find())).facts.counters if raw else {}
    except SettingError as error:  # a driver that is not installed any more
        return {"not counted": {"because": str(error)}}


def lines_of(
    found: History,
    counters: Counters | None,
    columns: int | None,
    *,
    curve: "FlowCurveData | None" = None,
    steadiness: Sequence[str] = (),
    reports: Sequence[Mapping[str, Any]] = (),
) -> list[Line]:
    """Return all sections, styled, in lines of at most `columns` columns (None: no terminal).

    Without `counters` the last line names the option that shows what a replay of the journal gives.
    """
    room = PIPED_COLUMNS if columns is None else columns
    inner = None if columns is None else columns - 2
    lines = _title(found, room)
    if found.data is not None:
        digits = 0 if columns is None else large_digits(shutil.get_terminal_size().lines)
        lines += [[], *result_lines(found.data, room, digits=digits)]
    elif found.run.state == "running":
        lines += [[], [("the run goes on; there is no result yet", "warn")]]
    else:
        text = "there is no result in this database; `daq replay` computes it again from the journal"
        lines += [[], *wrapped(text, room, "", "bad")]
    for heading, section in (
        ("verification", verification_table(found.data or {}, inner)),
        ("uncertainty budget", budget_lines(found.data, inner)),
        ("flow curve", [] if curve is None else _curve(curve, found, room - 2)),
        ("how it was measured", _bench(found)),
        ("checklist", checklist_lines(found.checklist)),
        ("how steady it was", list(steadiness)),
        ("steps", _steps(found, inner)),
        ("kept values", _kept(found, inner)),
        ("corrections", correction_lines(found)),
        ("reports", report_lines(reports)),
        ("signatures", signature_lines(found)),
        ("notes of persons", note_lines(found)),
        (NOT_MEASURED, [plain(t.words) for t in found.transcribed]),
        ("notes", _notes(found)),
        ("counters", [] if counters is None else _counters(counters)),
        ("origin", _origin(found)),
    ):
        if section:
            rows = [part for row in section for part in _fitted(row, inner)]
            lines += [[], [(heading, "head")], *([(f"  {row}", "")] for row in rows)]
    if counters is None and not found.journal.archived:
        more = f"how steady it was, counters of the lines: daq show {found.run.id[:SHOWN_ID]} --details"
        lines += [[], *wrapped(more, room, "", "dim")]
    return lines


def _fitted(row: str, columns: int | None) -> list[str]:
    """Return a row of text wrapped, its further rows two columns farther to the right."""
    if columns is None or width(row) <= columns:
        return [row]
    rows = fold(row.lstrip(), columns - 2)
    return [part if i == 0 else f"  {part}" for i, part in enumerate(rows)]


def _product(found: History) -> str:
    """Return the product with the version by which the run is judged."""
    return found.run.product + ("" if found.version is None else f" (version {found.version.version})")


def _title(found: History, columns: int) -> list[Line]:
    r = found.run
    title: Line = [(f"run {r.id}", "head"), ("  SIMULATED" if r.simulated else "", "warn")]
    joined = [f"sample {plain(r.sample)}"]
    joined += [f"{name} {plain(v)}" for name, v in (("product", _product(found)), ("lot", r.lot)) if v]
    if r.fill and r.fill != r.id:
        joined.append(f"fill {plain(r.fill)}")
    joined.append(f"replicate {r.replicate}")
    lines: list[Line] = [title, *wrapped(", ".join(joined), columns, "")]
    if r.sampled_at:
        lines += wrapped(f"sampled {plain(r.sampled_at)}", columns, "")
    words = f"{plain(r.method_id)} {plain(r.method_version)} on {plain(r.instrument)} by {plain(r.operator)}"
    lines += wrapped(f"{words}, {local_time(r.began_utc_ns)} to {local_time(r.ended_utc_ns)}", columns, "")
    if r.outcome and r.outcome != "complete":
        lines += wrapped(ended(r.outcome, r.reason), columns, "", "warn")
    if r.motor == "may_still_be_turning":
        lines += wrapped("at its end the motor could not be confirmed to stand still", columns, "", "bad")
    if found.data is not None and ANNULLED in found.data["faults"]:
        lines.append([("ANNULLED: it does not count", "bad")])
    elif len(found.results) > 1:
        times = "once" if len(found.results) == 2 else f"{len(found.results) - 1} times"
        lines.append([(f"corrected {times}; this is the newest result", "warn")])
    return lines + release_line(found)


def _curve(curve: "FlowCurveData", found: History, columns: int) -> list[str]:
    from daq.app.screens.drawings.curve_text import curve_lines

    data = found.data or {}
    return curve_lines(curve, columns, data["unit"], digits_of(data))


def _bench(found: History) -> list[str]:
    data = found.data
    if data is None:
        return []
    out: list[str] = [f"claim: {spaced(data['claim'])}"]
    taken = data.get("span")
    if taken:
        at = taken.get("taken_at_s")
        ended_by = plain(taken["stop_reason"]["text"]) if taken["stop_reason"] else NOTHING
        out.append(
            f"{taken['statistic']} of {taken['n']} readings over {number(taken['seconds'])} s"
            + (f", taken {number(at)} s after the step began" if at is not None else "")
            + f", {100 * taken['completeness']:.0f} % of the readings expected; ended by: {ended_by}"
        )
    drift = data.get("drift")
    if drift:
        sure = "" if drift["certain"] else " (no drift that is certain)"
        percent, moved = drift["percent_per_min"], drift.get("per_min")
        words = f"{number(percent, 2)} %" if percent is not None else f"{number(moved, 2)} {symbol(data['unit'])}"
        out.append(f"drift in the span: {words.rstrip()} per minute{sure}")
    out += geometry_lines(data.get("geometry"))
    temperatures = data["conditions"].get("temperatures") or {}
    out += [f"{plain(name)}: {fixed(value, 2)} °C" for name, value in temperatures.items()]
    choices = data["method"].get("choices") or {}
    out += [f"chosen: {plain(k)} = {c['value']:g} {symbol(c['unit'])}".rstrip() for k, c in choices.items()]
    return out


def _steps(found: History, columns: int | None) -> list[str]:
    planned = () if found.plan is None else found.plan.steps
    rows = []
    turns = any(step.speed is not None for step in planned)
    for step in found.journal.steps:
        about = planned[step.step] if step.step < len(planned) else None
        speed = None if about is None else about.speed
        rows.append(
            [
                str(step.step + 1),
                plain("" if about is None else about.name),
                *([NOTHING if speed is None else f"{speed:g}"] if turns else []),
                span((step.t - step.started) / 1e9),
                str(step.readings),
                *([number(step.revolutions)] if turns else []),
                plain(step.rule),
                _met_at(found, step),
            ]
        )
    if not turns:
        head = ["", "step", "lasted", "readings", "stopped by", "at"]
        return table(head, rows, right=frozenset({2, 3, 5}), columns=columns).splitlines() if rows else []
    head = ["", "step", f"set {symbol('/min')}", "lasted", "readings", "turns", "stopped by", "at"]
    return table(head, rows, right=frozenset({2, 3, 4, 5, 7}), columns=columns).splitlines() if rows else []


def _met_at(found: History, step: "StepEnded") -> str:
    """Return the value that met a step's rule; a derived quantity has the digits that the result supports."""
    plan = found.plan
    if plan is None or found.data is None or step.step >= len(plan.steps):
        return number(step.value)
    rule = next((r for r in plan.steps[step.step].stop.leaves() if r.name == step.rule), None)
    derived = {plan.primary, *(d.name for d in plan.derivations)}
    has_interval = rule is not None and rule.kind != "steady" and rule.signal in derived
    return significant(step.value, digits_of(found.data)) if has_interval else number(step.value)


def _kept(found: History, limit: int | None) -> list[str]:
    data = found.data
    if data is None or not data["steps"]:
        return []
    steps = data["steps"]
    own = symbol(data["unit"]) or data["quantity"]
    columns: list[tuple[str, bool, list[str]]] = [
        ("", False, [str(s["step"] + 1) for s in steps]),
        ("step", False, [plain(s["name"]) for s in steps]),
        ("at", False, [s["at"] for s in steps]),
        ("s", True, [number(s["seconds"]) for s in steps]),
        *(
            (symbol(unit_of(KeptValue, key)), True, [number(s[key]) for s in steps])
            for key in ("speed", "torque_percent", "shear_rate", "stress")
            if key != data["quantity"]
        ),
        (symbol("Cel"), True, [fixed(s["temperature"], 2) for s in steps]),
        (own, True, [significant(s["value"], digits_of(data)) for s in steps]),
        ("n", True, [str(s["n"]) for s in steps]),
        (
            "quality",
            False,
            [s["quality"] + (f" ({', '.join(map(spaced, s['faults']))})" if s["faults"] else "") for s in steps],
        ),
    ]
    # A quantity that this instrument does not measure has no column; the value itself always has one.
    shown = [c for c in columns if c[0] == own or any(cell != NOTHING for cell in c[2])]
    rows = [list(row) for row in zip(*(cells for _, _, cells in shown), strict=True)]
    right = frozenset(i for i, (_, is_number, _) in enumerate(shown) if is_number)
    counts = [i for i, (head, _, _) in enumerate(shown) if head == "n"]  # those of the steps are in their table
    return table([head for head, _, _ in shown], rows, right=right, columns=limit, drop=counts).splitlines()


def _notes(found: History) -> list[str]:
    began = found.journal.moves[0].t if found.journal.moves else 0
    out = [f"{(n.t - began) / 1e9:9.1f} s  {sentence(n)}" for n in found.journal.notes]
    if found.journal.archived:
        out.append(plain(found.journal.archived))
    if found.journal.trouble:
        out.append(f"the journal is damaged: {plain(found.journal.trouble)}")
    return out


def _counters(counters: Counters) -> list[str]:
    out: list[str] = []
    for link, counts in counters.items():
        shown = [f"{spaced(key)} {_counted(value)}" for key, value in counts.items() if value not in (0, {}, None, "")]
        out.append(f"{plain(link)}: {', '.join(shown) or 'none'}")
    return out


def _counted(value: Any) -> str:
    if isinstance(value, dict):
        return "(" + ", ".join(f"{spaced(k)} {plain(v)}" for k, v in value.items()) + ")"
    return plain(value)


def _origin(found: History) -> list[str]:
    rows: list[tuple[str, Any]] = [("method digest", found.run.method_digest)]
    if found.data is not None:
        origin = found.data["origin"]
        rows += [
            ("instrument serial", origin["serial"]),
            ("companions", ", ".join(f"{k} {v or ''}".strip() for k, v in origin["companions"].items())),
            ("driver", f"{origin['driver']} {origin['driver_digest']}"),
            ("software", origin["software"]),
        ]
    result = found.result
    if result is not None:
        rows += [
            ("result", f"{result.id}, number {result.sequence} of stream {result.stream}"),
            ("supersedes", result.supersedes),
            ("audit head", f"{result.audit_head} (entry {result.audit_seq})"),
            ("journal digest", result.journal_digest),
        ]
    rows.append(("journal", "in an archive" if found.journal.archived else f"{found.journal.records} records"))
    rows += clock_rows(found.clock)
    if found.journal.anchor is not None:
        rows.append(("boot", found.journal.anchor.boot_id))
    longest = max(len(name) for name, value in rows if value)
    out = [f"{name:<{longest}}  {plain(value)}" for name, value in rows if value]
    for m in found.messages:
        states = {"waiting": "waits for the broker", "acknowledged": "delivered", "refused": "REFUSED by the broker"}
        why = f": {plain(m.last_error)}" if m.last_error and m.state != "acknowledged" else ""
        out.append(f"{'message':<{longest}}  {plain(m.topic)}: {states[m.state]}{why}")
    return out
