"""Pages about many results: the sheet of a day, a control chart; and the blocks of a verification.  Pure."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from daq.app.laboratory.reporting.page_blocks import (
    Attached,
    Block,
    Page,
    WorksHead,
    facts,
    figure,
    headline,
    section,
    table,
    text,
)
from daq.app.records.sheets.day_counts import Counts
from daq.app.records.sheets.day_sheet import COLUMNS, DaySheet, OpenWork, SheetRow
from daq.app.screens.drawings.chart_svg import chart_svg
from daq.app.screens.drawings.chart_text import title
from daq.app.screens.text import fixed, offset_time, sentence, spaced
from daq.app.screens.verification_text import ACCEPTED, OUTCOMES, limits_words
from daq.core.units import symbol
from daq.laboratory.controlchart import Chart
from daq.laboratory.reports import ShownResult
from daq.quality.digits import NOTHING, SHOWN_ID, number, uncertain, within

OWN_USE: Final = "For use in the works."
CHECK_FLUID: Final = {"verification": "Certified fluid", "control": "Control fluid"}
"""Name of the fluid by the kind of a check."""


def day_page(
    day: str,
    instrument: str,
    sheet: DaySheet,
    shown: Sequence[ShownResult],
    works: WorksHead,
    made_utc_ns: int,
    attached: Sequence[Attached] = (),
) -> Page:
    """Return the sheet of a day, of all instruments or of one."""
    where = f" on {instrument}" if instrument else ""
    blocks: list[Block] = [facts(_counts(sheet.counts), columns=2)]
    for name, rows in sheet.instruments.items():
        blocks += [section(name), _runs(rows)]
    blocks += [] if sheet.counts.runs else [text(["no runs"])]
    blocks += [section("Open when this sheet was made"), text(_open(sheet.open))]
    simulated = [r.run.simulated for rows in sheet.instruments.values() for r in rows]
    return Page(
        form="day",
        of=f"{day}{where}",
        title="Sheet of a day",
        subtitle=f"{day}{where}",
        blocks=tuple(blocks),
        end=(OWN_USE,),
        shown=tuple(shown),
        simulated=any(simulated),
        works=works,
        made_utc_ns=made_utc_ns,
        attached=tuple(attached),
    )


def _counts(c: Counts) -> list[tuple[str, str]]:
    return [
        ("Runs", str(c.runs)),
        ("Outside limits", str(c.outside)),
        ("Valid", str(c.valid)),
        ("Undecided", str(c.undecided)),
        ("Doubtful", str(c.doubtful)),
        ("Repeats", str(c.repeats)),
        ("Not valid", str(c.not_valid)),
        ("Without product", str(c.without_product)),
        ("Without result", str(c.without_result)),
    ]


def _runs(rows: Sequence[SheetRow]) -> Block:
    cells = [[offset_time(r.run.began_utc_ns)[11:16], *r.cells] for r in rows]
    return table(COLUMNS, cells, frozenset({4}))


def _open(work: OpenWork) -> list[str]:
    out = [f"run {r[:SHOWN_ID]} has no end yet" for r in work.running]
    out += [f"the motor of {name} may still be turning" for name in work.motors_in_doubt]
    out += [f"sample {s.id}" + (f", product {s.product}" if s.product else "") for s in work.samples]
    out += ["more samples are open"] if work.more_samples else []
    return out or ["nothing"]


def chart_page(
    chart: Chart, shown: Sequence[ShownResult], works: WorksHead, made_utc_ns: int, attached: Sequence[Attached] = ()
) -> Page:
    """Return the page of a control chart."""
    signalled = {i for s in chart.signals for i in s.points}
    rows = [
        [
            p.name,
            offset_time(p.utc_ns),
            number(p.value),
            number(chart.moving_ranges[i - 1], 3) if i else "",
            "" if chart.lines is None else number(chart.lines.averages[i]),
            p.quality,
            "signal" if i in signalled else "",
        ]
        for i, p in enumerate(chart.points)
    ]
    head = ["point", "started", symbol(chart.unit) or "value", "moving range", "EWMA", "quality", ""]
    return Page(
        form="chart",
        of=chart.name.id,
        title="Control chart",
        subtitle=title(chart).removeprefix("control chart of "),
        blocks=(
            figure(1, chart_svg(chart), "Single values and moving ranges (ISO 7870-2).", 100),
            table(head, rows, frozenset({2, 3, 4})),
        ),
        end=(OWN_USE,),
        shown=tuple(shown),
        simulated=any(p.simulated for p in chart.points),
        works=works,
        made_utc_ns=made_utc_ns,
        attached=tuple(attached),
    )


def verification_blocks(data: Mapping[str, Any]) -> tuple[Block, ...]:
    """Return the blocks of a verification or a control; none where the run is none."""
    found = data.get("verification")
    if not found:
        return ()
    kind = found.get("kind", "verification")
    unit = symbol(data["unit"])
    head = ["step", symbol("/min"), "torque, %", symbol("Cel"), f"measured, {unit}", "certified", "accepted"]
    rows = [_level(x) for x in found["levels"]]
    about = [
        (CHECK_FLUID[kind], f"{found['fluid']}, lot {found['lot']}"),
        ("Its certificate", f"{found['certificate']}, valid until {found['expires']}" if found["certificate"] else ""),
        ("Control limits", limits_words(found)),
        ("Because", sentence(found["reasons"])),
        ("Results in doubt", str(len(found["results_since_pass"])) if found["passed"] is False else ""),
    ]
    levels = table([*head, "deviation", "U, %", "E_n", ""], rows, frozenset({1, 2, 3, 4, 5, 7, 8, 9}))
    outcome = headline(f"{kind}, {spaced(found['condition'])}", OUTCOMES[found["passed"]][0])
    return (outcome, facts(about), levels)


def _level(x: Mapping[str, Any]) -> list[str]:
    percent, certified, deviation = x["deviation_uncertainty_percent"], x["certified"], x["deviation_percent"]
    expanded = None if percent is None or certified is None else percent / 100.0 * certified
    return [
        x["step"],
        number(x["speed"]),
        number(x["torque_percent"], 3),
        fixed(x["temperature"], 2),
        within(x["measured"], expanded, 5),
        within(certified, expanded, 5),
        f"{number(x['low'], 5)} to {number(x['high'], 5)}",
        NOTHING if deviation is None else f"{'+' if deviation >= 0.0 else ''}{within(deviation, percent)} %",
        uncertain(percent),
        number(x["normalised_error"], 2),
        ACCEPTED[x["accepted"]],
    ]
