"""`daq precision SAMPLE`: repeatability and reproducibility of a method from the results of one sample."""

import argparse
import time
from typing import Final, get_args

from daq.app.cli.common import open_reader, print_json
from daq.app.cli.printing import hung, terminal_columns
from daq.app.laboratory.lists.precision_study import GroupedBy, Period, PrecisionStudy, precision_study
from daq.app.screens.tables import table
from daq.app.screens.text import called, local_time, plain, sentence
from daq.core.units import symbol
from daq.process.moments import bound
from daq.quality.digits import NOTHING, number

EXIT_NO_FIGURES: Final = 11
DIGITS: Final = 3
"""Number of digits of a standard deviation."""
EXAMPLES: Final = """\
examples:
  daq precision R-2026-11                    one retained sample, measured on several instruments
  daq precision R-2026-11 --by operator
  daq precision R-2026-11 --by day --since 2026-11-01 --until 2026-11-30 --json

The sample is measured by each instrument, person or day on several fillings (`daq run --fresh-fill`).

exit codes: 0 figures, 11 too few results for any
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("sample", metavar="SAMPLE", help="the sample's identifier, exactly")
    parser.add_argument(
        "--by", choices=get_args(GroupedBy), default="instrument", help="what tells the groups apart (instrument)"
    )
    parser.add_argument("--method", default="", metavar="ID", help="the method whose results count")
    parser.add_argument("--since", default="", metavar="TIME", help="only runs started from then on: 06:00, or a day")
    parser.add_argument("--until", default="", metavar="TIME", help="only runs started until then")
    parser.add_argument("--json", action="store_true", help="print it as JSON")


def run(args: argparse.Namespace) -> int:
    """Print the figures; 0: there are some, 11: there are too few results."""
    now = time.time_ns()
    period = Period(bound(args.since, now, "--since", end=False), bound(args.until, now, "--until", end=True))
    with open_reader(args) as reader:
        found = precision_study(reader, args.sample, args.by, method=args.method, period=period)
    if args.json:
        print_json(found.as_json())
    else:
        print(text_of(found, terminal_columns()))
    return EXIT_NO_FIGURES if found.found is None else 0


def period_of(period: Period) -> str:
    """Return the line that states the period of the results."""
    if period.first is None:
        used = "no result counts"
    else:
        used = f"results of runs started from {local_time(period.first)} to {local_time(period.last)}"
    bounds = [
        f"{name} {local_time(moment)}"
        for name, moment in (("since", period.since), ("until", period.until))
        if moment is not None
    ]
    asked = f"asked for: {' '.join(bounds)}" if bounds else "asked for: all times"
    return f"{used}; {asked}" + (f"; {period.outside} more outside" if period.outside else "")


def text_of(study: PrecisionStudy, columns: int | None = None) -> str:
    """Return all of it for a person, in lines of at most `columns` (None: no limit)."""
    unit = symbol(study.unit)
    head = f"sample {plain(study.sample)}"
    if study.groups:
        where = f", {plain(study.geometry)}" if study.geometry else ""
        head += f", {called(study.quantity)} in {unit}, {plain(study.method)}{where}"
    lines = [head + (" (SIMULATED)" if study.simulated else ""), period_of(study.period)]
    if study.found is None:
        lines.append(
            f"no figures: they need results of at least two {study.by}s, and two results on different fillings of one"
        )
    else:
        p = study.found

        def figures(name: str, value: float, limit: str, greatest: float) -> str:
            return f"{name} = {number(value, DIGITS)} {unit}, limit {limit} = {number(greatest, DIGITS)} {unit}"

        of_limits = (
            f"limits are {p.factor} times the standard deviations: two results differ by more in 1 of 20 cases; "
            f"degrees of freedom {p.dof_within} within, {p.dof_between} between"
        )
        lines += [
            figures("repeatability standard deviation s_r", p.s_r, "r", p.r_limit),
            figures(f"reproducibility standard deviation between {study.by}s s_R", p.s_R, "R", p.R_limit),
            of_limits,
            "within one laboratory s_R is intermediate precision (ISO 5725-3); no result is left out as an outlier",
        ]
    lines = [row for line in lines for row in hung(line, "", columns)]
    rows = [
        [
            plain(g.name),
            str(len(g.values)),
            number(g.mean),
            NOTHING if g.deviation is None else number(g.deviation, DIGITS),
        ]
        for g in study.groups
    ]
    heads = [study.by, "results", "mean", "standard deviation"]
    shown = table(heads, rows, right=frozenset({1, 2, 3}), columns=columns) if rows else ""
    left_out = [row for x in study.left_out for row in hung(sentence(x.why), f"left out: run {x.name}: ", columns)]
    return "\n".join([*lines, *(["", shown] if shown else []), *([""] if left_out else []), *left_out])
