"""``daq plan``: the geometries and speeds that suit a viscosity."""

import argparse
import contextlib
import os
from typing import Any

from daq.adapters.paths import config_dir, database_path
from daq.adapters.store.reading import Reader
from daq.app.cli.common import chosen_state, print_json
from daq.app.cli.printing import print_table, say
from daq.app.records.planning import Basis, basis_of_product, basis_of_viscosity
from daq.app.screens.text import fixed, plain, spaced, span
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import fit_of, with_fit
from daq.core.errors import SettingError
from daq.core.units import convert, symbol
from daq.methods.files.instrument import Instrument
from daq.methods.planning.ranging import SLOWEST, plan_instrument, speeds_of, usable_band
from daq.quality.digits import number, significant, supported, uncertain
from daq.rheology.ranges import Candidate
from daq.rheology.torque import BandClass

SHOWN = 15
NEAREST = 3
"""Number of combinations shown where none brings the torque into the band."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--instrument", required=True, metavar="NAME", help="name of the instrument")
    parser.add_argument("--viscosity", default="", metavar="TEXT", help="what is expected, for example '800 mPa.s'")
    parser.add_argument(
        "--product", default="", metavar="ID", help="what its file expects, otherwise what its last results were"
    )
    parser.add_argument(
        "--flow-behaviour-index", type=_positive, metavar="N", help="below 1: thins when sheared (the product's)"
    )
    parser.add_argument("--at-rate", type=_positive, metavar="G", help="shear rate (1/s) the viscosity belongs to")
    parser.add_argument("--at-speed", type=_positive, metavar="S", help="speed (/min) it belongs to")
    parser.add_argument("--slowest", type=_positive, default=SLOWEST, metavar="S", help=f"/min ({SLOWEST:g})")
    parser.add_argument("--fastest", type=_positive, metavar="S", help="/min (the instrument's limit)")
    parser.add_argument("--all", action="store_true", help=f"show all, also those out of range (the best {SHOWN})")
    parser.add_argument("--json", action="store_true", help="print all of them as JSON")


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number greater than 0")
    return value


def run(args: argparse.Namespace) -> int:
    """Print the candidates, best first."""
    if not args.viscosity and not args.product:
        raise SettingError("say what to plan for: --viscosity '800 mPa.s', or --product ID")
    catalogue = Catalogue.load(config_dir(args.config))
    instrument = _as_fitted(args, catalogue.instrument(args.instrument))
    driver = catalogue.make_driver(instrument)
    band = usable_band(instrument, driver)
    basis = _basis(args, catalogue, instrument)
    speeds = speeds_of(instrument, args.slowest, args.fastest)
    found = plan_instrument(
        instrument, driver, basis.expected, speeds, temperature_coefficient=basis.temperature_coefficient
    )
    if args.json:
        print_json(_as_json(instrument, basis, (band.low, band.high), found))
        return 0
    n = basis.expected.flow_behaviour_index
    index = f", flow behaviour index {n:g}" if n != 1.0 else ""
    say(f"{plain(instrument.name)}: {basis.source}{index}; usable torque {band.low:g} to {band.high:g} %")
    usable = [c for c in found if c.band == BandClass.VALID]
    if usable:
        say(f"{len(usable)} of {len(found)} combinations of geometry and speed are suitable, best first:")
    else:
        say("no geometry and speed of this instrument is suitable; nearest first:")
    shown = found if args.all else usable[:SHOWN] or found[:NEAREST]
    _print(instrument, basis, shown)
    if len(shown) < len(found):
        say(f"{len(shown)} of {len(found)} are shown; --all shows the others too")
    if any(c.assumed_newtonian for c in shown):
        say("* taken as Newtonian: say at which --at-rate or --at-speed the viscosity was found")
    return 0


def _as_fitted(args: argparse.Namespace, instrument: Instrument) -> Instrument:
    """Return an instrument with its recorded geometry; as in its file where no database can be read."""
    path = database_path(chosen_state(args))
    if not os.access(path, os.R_OK):
        return instrument
    with Reader(path) as reader:
        return with_fit(instrument, fit_of(reader, instrument.name))


def _basis(args: argparse.Namespace, catalogue: Catalogue, instrument: Instrument) -> Basis:
    product = catalogue.product(args.product) if args.product else None
    if args.viscosity:
        return basis_of_viscosity(args.viscosity, args.flow_behaviour_index, args.at_rate, args.at_speed, product)
    assert product is not None  # noqa: S101 - one of the two was given
    with contextlib.ExitStack() as stack:
        reader = None
        if product.expected_viscosity is None:
            path = database_path(chosen_state(args))
            reader = stack.enter_context(Reader(path)) if path.exists() else None
        return basis_of_product(product, instrument, reader, args.flow_behaviour_index)


def _print(instrument: Instrument, basis: Basis, found: list[Candidate]) -> None:
    unit, shown = basis.unit, symbol(basis.unit)
    head = [
        "geometry", "speed, min⁻¹", "torque, %", "rate, s⁻¹", f"expected, {shown}", f"measurable, {shown}",
        "U (95 %), %", "first reading",
    ]  # fmt: skip

    def viscosity(pa_s: float, relative: float | None = None) -> str:
        value = convert(pa_s, "Pa.s", unit)
        return number(value, 3) if relative is None else significant(value, supported(value, relative * value, 3))

    rows = [
        [
            plain(c.geometry) + (" (fitted)" if c.geometry == instrument.fitted else ""),
            f"{c.speed_per_min:g}",
            fixed(c.torque_percent, 1) + ("" if c.band == BandClass.VALID else f" {spaced(c.band)}"),
            number(c.shear_rate, 3),
            viscosity(c.viscosity, c.relative_expanded) + ("*" if c.assumed_newtonian else ""),
            f"{viscosity(c.viscosity_low)} to {viscosity(c.viscosity_high)}",
            uncertain(None if c.relative_expanded is None else 100 * c.relative_expanded),
            span(c.first_reading_s),
        ]
        for c in found
    ]
    print_table(head, rows, right=frozenset({1, 2, 3, 4, 5, 6, 7}))


def _as_json(instrument: Instrument, basis: Basis, band: tuple[float, float], found: list[Candidate]) -> dict[str, Any]:
    e = basis.expected
    return {
        "instrument": instrument.name,
        "fitted": instrument.fitted,
        "basis": basis.source,
        "expected": {
            "viscosity_Pa_s": e.viscosity,
            "flow_behaviour_index": e.flow_behaviour_index,
            "at_rate": e.at_rate,
            "at_speed": e.at_speed_per_min,
        },
        "usable_torque_percent": list(band),
        "candidates": [
            {
                "geometry": c.geometry,
                "speed": c.speed_per_min,
                "usable": c.band == BandClass.VALID,
                "torque_percent": c.torque_percent,
                "band": str(c.band),
                "shear_rate": c.shear_rate,
                "viscosity_Pa_s": c.viscosity,
                "viscosity_low_Pa_s": c.viscosity_low,
                "viscosity_high_Pa_s": c.viscosity_high,
                "first_reading_s": c.first_reading_s,
                "relative_expanded_uncertainty": c.relative_expanded,
                "assumed_newtonian": c.assumed_newtonian,
            }
            for c in found
        ],
    }
