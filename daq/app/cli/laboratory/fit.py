"""`daq fit`: record which measuring geometry is fitted to an instrument."""

import argparse

from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import say
from daq.app.screens.text import plain


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("instrument", metavar="INSTRUMENT", help="name of the instrument")
    parser.add_argument("geometry", metavar="GEOMETRY", help="name of the geometry in the instrument's file")
    parser.add_argument("--serial", default="", metavar="SERIAL", help="its serial number, where the file states none")
    parser.add_argument(
        "--mended",
        default="",
        metavar="TEXT",
        help="put the geometry back into service instead, for this reason; a person who reviews does that",
    )
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Record the geometry and return the exit code."""
    if args.mended:
        order = {"bench": args.instrument, "geometry": args.geometry, "serial": args.serial, "because": args.mended}
        perform(args, "geometry_back", order)
        say(f"{plain(args.geometry)} of {plain(args.instrument)} may be used again")
        return 0
    done = perform(args, "fit", {"instrument": args.instrument, "geometry": args.geometry, "serial": args.serial})
    serial = f" (serial number {done['serial']})" if done["serial"] else ""
    before = f"; before: {done['before']}" if done["before"] not in ("", done["geometry"]) else ""
    say(plain(f"{done['geometry']}{serial} is fitted to {done['instrument']}{before}"))
    if done["out_of_service"]:
        say(plain(done["out_of_service"]), "no run starts: ")
    return 0
