"""`daq fit`: record which measuring geometry is fitted to an instrument."""

import argparse

from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import say
from daq.app.screens.text import plain


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("instrument", metavar="INSTRUMENT", help="name of the instrument")
    parser.add_argument(
        "geometry",
        metavar="GEOMETRY",
        nargs="?",
        default="",
        help="name of the geometry in the instrument's file; leave it out for an instrument without one",
    )
    parser.add_argument("--serial", default="", metavar="SERIAL", help="its serial number, where the file states none")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Record the geometry and return the exit code."""
    done = perform(args, "fit", {"instrument": args.instrument, "geometry": args.geometry, "serial": args.serial})
    serial = f" (serial number {done['serial']})" if done["serial"] else ""
    before = f"; before: {done['before']}" if done["before"] not in ("", done["geometry"]) else ""
    if done["geometry"]:
        say(plain(f"{done['geometry']}{serial} is fitted to {done['instrument']}{before}"))
    else:
        say(plain(f"the constants of {done['instrument']} are recorded as its file has them now"))
    if done["constants"]:
        say(plain(done["constants"]), "new constants, so verification and control count anew: ")
    if done["out_of_service"]:
        say(plain(done["out_of_service"]), "no run starts: ")
    return 0
