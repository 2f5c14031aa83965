"""`daq demo --shift`: a whole shift at the glaze works, in the time that the computer needs for it."""

import asyncio
import time
from collections import Counter
from pathlib import Path
from typing import Any, Final

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.reading import Reader
from daq.app.cli.printing import print_table, say, terminal_columns
from daq.app.laboratory.lists.charting import product_charts
from daq.app.records.sheets.day_sheet import day_sheet
from daq.app.screens.drawings.chart_text import summary as chart_summary
from daq.app.screens.result_screen import summary
from daq.app.screens.styled_lines import joined, text_of
from daq.app.screens.text import plain, spaced
from daq.app.screens.verification_text import verification_words
from daq.app.setup.catalogue import Catalogue
from daq.app.workshop.shift.fast_time import FastLoop
from daq.app.workshop.shift.shift_day import CERTIFIED, CONTROL, Day, Happened, ShiftDay
from daq.quality.digits import NOTHING

BEGAN_S: Final = 2 * 3600
"""The shift began this time before now, s: it is over before now."""
FLUIDS: Final = (CERTIFIED, CONTROL.fluid)
"""Samples that are no samples of the works."""
CHARTED: Final = "clear-glaze"
CHART_POINTS: Final = 30
PIPED_COLUMNS: Final = 120


def run_shift(state: Path, *, keep: bool) -> int:
    """Work through the shift in `state`, print what happens, and show the records of the day."""
    state.mkdir(mode=0o700)
    print("A shift: simulated instruments, invented samples, time as fast as this computer works.\n")
    began = time.monotonic()
    with asyncio.Runner(loop_factory=FastLoop) as runner:
        day = runner.run(_worked(state, runner.get_loop()))
    with Reader(database_path(state)) as reader:
        _show_records(reader, day)
    print()
    seconds = time.monotonic() - began
    shift_s = (day.ended_utc_ns - day.began_utc_ns) / 1e9
    say(f"{day.samples} samples, {day.runs} runs, {_hours(shift_s)} of the works in {seconds:.0f} s.")
    if keep:
        say(f"Kept: {state.parent}, with the reports. Try: daq --state {state} day; daq --state {state} show last")
    return 0


async def _worked(state: Path, loop: asyncio.AbstractEventLoop) -> Day:
    assert isinstance(loop, FastLoop)  # noqa: S101 - `run_shift` made it
    shift = ShiftDay(state, loop, time.time_ns() - BEGAN_S * 10**9, _print_event)
    async with shift.open():
        return await shift.work()


def _print_event(event: Happened) -> None:
    lead = f"{time.strftime('%H:%M', time.localtime(event.utc_ns // 10**9))}  {event.bench or 'office':<8} "
    if event.result is None:
        say(plain(event.what), lead)
        return
    columns = terminal_columns() or PIPED_COLUMNS
    parts = [[(plain(event.what), "")], *_outcome(event.result)]
    for line in joined(parts, columns, indent=lead, hang=" " * len(lead)):
        print(text_of(line), flush=True)


def _outcome(result: dict[str, Any]) -> list[list[tuple[str, str]]]:
    """Return the result of a run; of a verification whether it passed, which counts."""
    found = verification_words(result)
    return [[found[0]]] if found else summary(result)


def _show_records(reader: Reader, day: Day) -> None:
    sheet = day_sheet(reader, day.began_utc_ns, day.ended_utc_ns, limit=-1)
    rows = [row.run for listed in sheet.instruments.values() for row in listed if row.run.sample not in FLUIDS]
    verdicts = Counter((row.product or NOTHING, row.verdict or NOTHING) for row in rows)
    samples = {(row.product or NOTHING, row.sample) for row in rows}
    kinds = sorted({verdict for _, verdict in verdicts})
    print("\nWhat the records say\n")
    table = [
        [product, str(sum(p == product for p, _ in samples)), *(str(verdicts[product, kind] or "") for kind in kinds)]
        for product in sorted({product for product, _ in samples})
    ]
    heads = [spaced(kind) if kind != "none" else "no limits" for kind in kinds]
    print_table(["product", "samples", *heads], table, right=frozenset(range(1, len(kinds) + 2)))
    print()
    product = Catalogue.load(examples_dir()).product(CHARTED)
    print("\n".join(chart_summary(product_charts(reader, product, last=CHART_POINTS), terminal_columns())))


def _hours(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes:02} min"
