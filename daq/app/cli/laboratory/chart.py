"""`daq chart`: control charts of a product, or of verifications and controls with a fluid; fix their limits."""

import argparse
from pathlib import Path
from typing import Any, Final

from daq.adapters.paths import config_dir
from daq.app.cli.common import open_reader, print_json, wanted_path
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.laboratory.report import write_report
from daq.app.cli.printing import say, terminal_columns
from daq.app.laboratory.lists.charting import product_charts, verification_charts
from daq.app.laboratory.lists.fixing_limits import MOST_POINTS, only_one
from daq.app.screens.drawings.chart_svg import chart_svg
from daq.app.screens.drawings.chart_text import summary
from daq.app.screens.text import plain, utc_iso
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError
from daq.core.units import symbol
from daq.laboratory.controlchart import Chart, as_json
from daq.quality.digits import number

SHOWN: Final = 20
EXIT_SIGNAL: Final = 10
EXIT_NO_POINTS: Final = 11
CAUTIONS: Final = {
    "beyond": "outside of the limits that were computed from them",
    "not_passed": "a control that did not pass makes the limits wider",
}
"""Words about points from which limits were fixed, by the key of the act's outcome."""
EXAMPLES: Final = """\
examples:
  daq chart clear-glaze --last 30
  daq chart clear-glaze --geometry coaxial-12 --svg chart.svg
  daq chart --verification reference-b --instrument bench-1
  daq chart --control house-oil --instrument bench-1 --geometry coaxial-12
  daq chart clear-glaze --last 25 --without G-1042 --fix --because "period in control, G-1042 was spilled"

exit codes: 0 no signal, 10 a signal, 11 no points
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("product", nargs="?", default="", metavar="PRODUCT")
    parser.add_argument(
        "--verification",
        "--control",
        dest="fluid",
        default="",
        metavar="FLUID",
        help="chart the verifications and controls with this fluid",
    )
    parser.add_argument("--instrument", default="", metavar="NAME", help="instrument of the verifications or controls")
    parser.add_argument("--geometry", default="", metavar="NAME", help="only this measuring geometry")
    parser.add_argument("--quantity", default="", metavar="NAME", help="only this quantity")
    parser.add_argument("--last", type=int, default=SHOWN, metavar="N", help=f"newest points; otherwise {SHOWN}")
    parser.add_argument(
        "--without",
        action="append",
        default=[],
        metavar="ID",
        help="leave out this sample, or this run of a verification or control (a unique beginning of its id)",
    )
    parser.add_argument("--points", action="store_true", help="list the points, too")
    parser.add_argument("--svg", metavar="FILE", type=wanted_path, help="draw the chart into a new file")
    parser.add_argument("--pdf", metavar="FILE", type=wanted_path, help="make the chart as a new PDF file")
    parser.add_argument("--json", action="store_true", help="print the charts as JSON")
    parser.add_argument("--fix", action="store_true", help="fix the limits from these points (role review)")
    parser.add_argument("--because", default="", metavar="TEXT", help="with --fix: why these points show the process")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Show or draw the charts, or fix limits; 0: no signal, 10: a signal, 11: no points."""
    _check(args)
    if args.fix:
        return _fix(args)
    charts = _charts(args)
    if args.pdf is not None:
        write_report(args, "report_chart", _order(args), args.pdf, "--pdf")
    elif args.svg is not None:
        _draw(args.svg, only_one(charts, args.geometry, args.quantity))
    elif args.json:
        print_json([_json(chart) for chart in charts])
    else:
        print("\n".join(summary(charts, terminal_columns(), with_points=args.points)))
    if not any(chart.points for chart in charts):
        return EXIT_NO_POINTS
    return EXIT_SIGNAL if any(chart.signals for chart in charts) else 0


def _check(args: argparse.Namespace) -> None:
    if bool(args.product) == bool(args.fluid):
        raise SettingError("name a product, or a fluid with --verification or --control")
    if bool(args.fluid) != bool(args.instrument):
        raise SettingError("go together: the fluid and its instrument", key="--verification, --instrument")
    if not 1 <= args.last <= MOST_POINTS:
        raise SettingError(f"must be from 1 to {MOST_POINTS}, is {args.last}", key="--last")
    if args.fix != bool(args.because):
        raise SettingError("go together: limits are fixed with a reason", key="--fix, --because")


def _charts(args: argparse.Namespace) -> list[Chart]:
    with open_reader(args) as reader:
        if args.product:
            product = Catalogue.load(config_dir(args.config), "products").product(args.product)
            return product_charts(
                reader,
                product,
                last=args.last,
                geometry=args.geometry,
                quantity=args.quantity,
                without=args.without,
            )
        charts = verification_charts(
            reader,
            args.fluid,
            args.instrument,
            last=args.last,
            geometry=args.geometry,
            quantity=args.quantity,
            without=args.without,
        )
    chosen = [c for c in charts if args.quantity in ("", c.name.quantity)]
    return chosen or charts


def _fix(args: argparse.Namespace) -> int:
    done = perform(args, "chart_limits_fix", _order(args) | {"because": args.because})
    unit = symbol(done["unit"])
    say(
        f"limits of {plain(done['id'])} are fixed from {done['points']} points: "
        f"centre {number(done['centre'])} {unit}, {number(done['lower'])} to {number(done['upper'])} {unit}"
    )
    for name, words in CAUTIONS.items():
        if done[name]:
            without = " ".join(f"--without {ident}" for ident in done["suspect"][name])
            say(plain(f"{', '.join(done[name])}: {words}; where a cause was found, fix the limits with {without}"))
    return 0


def _order(args: argparse.Namespace) -> dict[str, Any]:
    """Return the choice of a chart and its points, as the acts take it."""
    return {
        "product": args.product,
        "fluid": args.fluid,
        "instrument": args.instrument,
        "geometry": args.geometry,
        "quantity": args.quantity,
        "last": args.last,
        "without": args.without,
    }


def _json(chart: Chart) -> dict[str, Any]:
    found = as_json(chart)
    for point in found["points"]:
        point["started"] = utc_iso(point["utc_ns"])
    return found


def _draw(path: Path, chart: Chart) -> None:
    try:
        with path.open("x", encoding="utf-8") as out:
            out.write(chart_svg(chart))
    except FileExistsError:
        raise SettingError("exists already; name a new file", file=str(path), key="--svg") from None
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}; choose another place", file=str(path)) from error
    print(f"control chart drawn into {plain(path)}")
