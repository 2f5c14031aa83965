"""``daq show RUN``: a run and its result, with everything that stands behind the number."""

import argparse
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from daq.app.cli.common import find_run, open_reader, print_json, wanted_path
from daq.app.records.derived import flow_curve, steadiness_lines
from daq.app.records.history import History, history, raw_journal
from daq.app.records.replaying import maker
from daq.app.screens.curve_svg import svg
from daq.app.screens.curve_text import curve_lines
from daq.app.screens.live import print_lines
from daq.app.screens.result_screen import result_lines
from daq.app.screens.run_screen import Line
from daq.app.screens.text import (
    NOTHING,
    called,
    ended,
    fixed,
    local_time,
    number,
    plain,
    span,
    table,
    uncertain,
    with_unit,
)
from daq.app.screens.verification_text import verification_table
from daq.app.setup.drivers import Drivers
from daq.core.errors import SettingError
from daq.core.replay import replay
from daq.core.units import symbol
from daq.methods.curves.curvedata import FlowCurveData
from daq.methods.messages.leaves import unit_of
from daq.methods.parts.measured import KeptValue

PIPED_COLUMNS = 100
Counters = dict[str, dict[str, Any]]


def arguments(parser: argparse.ArgumentParser) -> None:
    """The run."""
    parser.add_argument("run", metavar="RUN", help="the run's id, or so much of its beginning as is unique, or 'last'")
    parser.add_argument("--json", action="store_true", help="print all of it as JSON")
    parser.add_argument("--svg", metavar="FILE", type=wanted_path, help="draw the flow curve into a new file")


def run(args: argparse.Namespace) -> int:
    """Print the run."""
    with open_reader(args) as reader:
        found = history(reader, find_run(reader, args.run))
        raw, _ = raw_journal(reader, found.run.id)
    curve = flow_curve(found)
    if args.svg is not None:
        _draw(args.svg, found, curve)
        return 0
    counters = _count(raw)
    if args.json:
        told = None if curve is None else curve.model_dump(mode="json")
        print_json(found.as_json() | {"counters": counters, "flow_curve": told})
    else:
        columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else PIPED_COLUMNS
        print_lines(lines_of(found, counters, columns, curve=curve, steadiness=_steadiness(found, raw)))
    return 0


def _draw(path: Path, found: History, curve: FlowCurveData | None) -> None:
    if curve is None:
        raise SettingError(f"run {found.run.id} has no flow curve: its method asks for none, or it has no result")
    title = f"{found.run.sample}, {found.run.method_id} {found.run.method_version}"
    try:
        with path.open("x", encoding="utf-8") as out:
            out.write(svg(curve, title))
    except FileExistsError:
        raise SettingError("exists already; name a new file", file=str(path), key="--svg") from None
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}; choose another place", file=str(path)) from error
    print(f"flow curve drawn into {path}")


def _steadiness(found: History, raw: bytes) -> list[str]:
    try:
        return steadiness_lines(found, raw, maker(Drivers.find()))
    except SettingError as error:  # a driver that is not installed any more
        return [str(error)]


def _count(raw: bytes) -> Counters:
    """Counters of each link: they are not stored, the journal gives them."""
    try:
        return replay(raw, maker(Drivers.find())).facts.counters
    except SettingError as error:  # a driver that is not installed any more
        return {"not counted": {"because": str(error)}}


def lines_of(
    found: History,
    counters: Counters,
    columns: int,
    *,
    curve: FlowCurveData | None = None,
    steadiness: Sequence[str] = (),
) -> list[Line]:
    """All sections, styled."""
    lines = _title(found)
    if found.data is not None:
        lines += [[], *result_lines(found.data, columns)]
    elif found.run.state == "running":
        lines += [[], [("the run goes on; there is no result yet", "warn")]]
    else:
        lines += [
            [],
            [("there is no result in this database; `daq replay` computes it again from the journal", "bad")],
        ]
    for heading, body in (
        ("verification", verification_table(found.data or {})),
        ("uncertainty budget", _budget(found)),
        ("flow curve", [] if curve is None else curve_lines(curve, columns - 2, (found.data or {})["unit"])),
        ("how it was measured", _bench(found)),
        ("how steady it was", list(steadiness)),
        ("steps", _steps(found)),
        ("kept values", _kept(found)),
        ("notes", _notes(found)),
        ("counters", _counters(counters)),
        ("origin", _origin(found)),
    ):
        if body:
            lines += [[], [(heading, "head")], *([(f"  {row}", "")] for row in body)]
    return lines


def _title(found: History) -> list[Line]:
    r = found.run
    title: Line = [(f"run {r.id}", "head"), ("  SIMULATED" if r.simulated else "", "warn")]
    joined = [f"sample {plain(r.sample)}"]
    joined += [f"{name} {plain(v)}" for name, v in (("product", r.product), ("lot", r.lot)) if v]
    if r.fill and r.fill != r.id:
        joined.append(f"fill {plain(r.fill)}")
    joined.append(f"replicate {r.replicate}")
    lines: list[Line] = [title, [(", ".join(joined), "")]]
    if r.sampled_at:
        lines.append([(f"sampled {plain(r.sampled_at)}", "")])
    said = f"{plain(r.method_id)} {plain(r.method_version)} on {plain(r.instrument)} by {plain(r.operator)}"
    lines.append([(f"{said}, {local_time(r.began_utc_ns)} to {local_time(r.ended_utc_ns)}", "")])
    if r.outcome and r.outcome != "complete":
        lines.append([(ended(r.outcome, r.reason), "warn")])
    if r.motor == "may_still_be_turning":
        lines.append([("at its end the motor could not be confirmed to stand still", "bad")])
    if len(found.results) > 1:
        lines.append([(f"corrected {len(found.results) - 1} times; this is the newest", "warn")])
    return lines


def _budget(found: History) -> list[str]:
    uncertainty = (found.data or {}).get("uncertainty")
    if not uncertainty:
        return []
    unit = symbol((found.data or {})["unit"])
    rows = [
        [
            plain(c["name"]),
            number(c["standard_uncertainty"], 3),
            plain(c["distribution"]),
            NOTHING if c["degrees_of_freedom"] is None else number(c["degrees_of_freedom"], 3),
            number(c["sensitivity"], 3),
            number(c["contribution"], 3),
            f"{100 * c['share']:.0f} %",
        ]
        for c in uncertainty["components"]
    ]
    head = ["component", "u", "distribution", "freedom", "sensitivity", f"in {unit}", "share"]
    out = table(head, rows, right=frozenset({1, 3, 4, 5, 6})).splitlines()
    if uncertainty.get("trials"):
        out.append(
            f"interval {_end(uncertainty, 'low')} to {_end(uncertainty, 'high')} {unit}, "
            f"{plain(uncertainty['method'])} ({uncertainty['trials']} trials, seed {uncertainty['seed']}); "
            "limits prevail, for which k u_c says too much"
        )
    freedom = uncertainty.get("effective_degrees_of_freedom")
    out.append(
        f"expanded {uncertain(uncertainty['expanded'])} {unit}, k = {uncertainty['k']:.2f}, coverage "
        f"{100 * uncertainty['coverage']:.0f} %, effective degrees of freedom "
        + ("unlimited" if freedom is None else number(freedom, 3))
    )
    return out + [f"left out: {plain(s['text'])}" for s in uncertainty["left_out"]]


def _end(uncertainty: dict[str, Any], which: str) -> str:
    """An end of the interval in five digits, in more where the uncertainty reaches further down."""
    ends = [number(uncertainty[which], 5), fixed(uncertainty[which], _places(uncertain(uncertainty["expanded"])))]
    return max(ends, key=_places)


def _places(text: str) -> int:
    return len(text.partition(".")[2])


def _bench(found: History) -> list[str]:
    data = found.data
    if data is None:
        return []
    out: list[str] = [f"claim: {data['claim'].replace('_', ' ')}"]
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
        said = f"{number(percent, 2)} %" if percent is not None else f"{number(moved, 2)} {symbol(data['unit'])}"
        out.append(f"drift in the span: {said.rstrip()} per minute{sure}")
    body = data.get("geometry")
    if body:
        sizes = ", ".join(f"{plain(k)} {plain(v)}" for k, v in body["dimensions"].items())
        out.append(f"geometry: {plain(body['name'])}, {called(body['kind'])} ({sizes})")
        rest = [
            f"{label} {plain(body[key])}"
            for label, key in (("vessel", "vessel"), ("fill volume, mL:", "fill_volume_mL"), ("immersion", "immersion"))
            if body.get(key)
        ]
        rest += ["with a stirrup around the rotor"] if body["stirrup"] else []
        if rest:
            out.append(", ".join(rest))
    temperatures = data["conditions"].get("temperatures") or {}
    out += [f"{plain(name)}: {fixed(value, 2)} °C" for name, value in temperatures.items()]
    choices = data["method"].get("choices") or {}
    out += [f"chosen: {plain(k)} = {with_unit(c['value'], c['unit'])}" for k, c in choices.items()]
    return out


def _steps(found: History) -> list[str]:
    planned = () if found.plan is None else found.plan.steps
    rows = []
    turns = any(step.speed is not None for step in planned)
    for step in found.told.steps:
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
                number(step.value),
            ]
        )
    if not turns:
        head = ["", "step", "lasted", "readings", "stopped by", "at"]
        return table(head, rows, right=frozenset({2, 3, 5})).splitlines() if rows else []
    head = ["", "step", f"set {symbol('/min')}", "lasted", "readings", "turns", "stopped by", "at"]
    return table(head, rows, right=frozenset({2, 3, 4, 5, 7})).splitlines() if rows else []


def _kept(found: History) -> list[str]:
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
        ),
        (symbol("Cel"), True, [fixed(s["temperature"], 2) for s in steps]),
        (own, True, [number(s["value"]) for s in steps]),
        ("n", True, [str(s["n"]) for s in steps]),
        (
            "quality",
            False,
            [s["quality"] + (f" ({', '.join(s['faults'])})" if s["faults"] else "") for s in steps],
        ),
    ]
    # What this instrument does not measure has no column; the value itself always has.
    shown = [c for c in columns if c[0] == own or any(cell != NOTHING for cell in c[2])]
    rows = [list(row) for row in zip(*(cells for _, _, cells in shown), strict=True)]
    right = frozenset(i for i, (_, is_number, _) in enumerate(shown) if is_number)
    return table([head for head, _, _ in shown], rows, right=right).splitlines()


def _notes(found: History) -> list[str]:
    began = found.told.moves[0].t if found.told.moves else 0
    out = [f"{(n.t - began) / 1e9:9.1f} s  {plain(n.text)}" for n in found.told.notes]
    if found.told.trouble:
        out.append(f"the journal cannot be believed to its end: {plain(found.told.trouble)}")
    return out


def _counters(counters: Counters) -> list[str]:
    out: list[str] = []
    for link, counts in counters.items():
        told = [f"{key} {_counted(value)}" for key, value in counts.items() if value not in (0, {}, None, "")]
        out.append(f"{plain(link)}: {', '.join(told) or 'none'}")
    return out


def _counted(value: Any) -> str:
    if isinstance(value, dict):
        return "(" + ", ".join(f"{plain(k)} {plain(v)}" for k, v in value.items()) + ")"
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
    rows.append(("journal", f"{found.told.records} records"))
    if found.told.anchor is not None:
        rows.append(("boot", found.told.anchor.boot_id))
    width = max(len(name) for name, value in rows if value)
    out = [f"{name:<{width}}  {plain(value)}" for name, value in rows if value]
    for m in found.messages:
        said = {"waiting": "waits for the broker", "acknowledged": "delivered", "refused": "REFUSED by the broker"}
        why = f": {plain(m.last_error)}" if m.last_error and m.state != "acknowledged" else ""
        out.append(f"{'message':<{width}}  {plain(m.topic)}: {said[m.state]}{why}")
    return out
