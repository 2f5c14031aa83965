"""`daq equipment`: instruments, geometries and probes: out of service, back, calibrated; list and history."""

import argparse
import time
from typing import Any, Final

from daq.adapters.paths import config_dir
from daq.app.cli.common import open_reader, print_json
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import print_table, say
from daq.app.laboratory.equipment.inventory import Line, history_of, inventory
from daq.app.records.pieces import named_piece
from daq.app.screens.text import plain
from daq.app.setup.catalogue import Catalogue

EXAMPLES: Final = """\
examples:
  daq equipment list
  daq equipment out-of-service bench-1/coaxial-12 --because "bent"
  daq equipment back bench-1/coaxial-12 --because "straightened, runs true"
  daq equipment calibrated bench-1 --certificate K-2231 --day 2026-11-20 --due 2027-11-20 \\
      --found inside --constant torque_full_scale "1003 uN.m" "1000 uN.m" "3 uN.m"
  daq equipment calibrated thermo-2/probe_1 --certificate T-17 --day 2026-11-21 \\
      --found outside --point "at 25 Cel" "25.12 Cel" "25.01 Cel" "0.03 K"

A geometry or probe is named with its instrument: bench-1/coaxial-12. A calibration never changes a file.
One that found the piece outside of its tolerance puts results before it in doubt: `daq affected` lists them.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add a parser for each part."""
    parser.epilog = EXAMPLES
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True)
    one = parts.add_parser("list", help="list all pieces with serial number, state and days that are due")
    one.add_argument("--json", action="store_true", help="print them as JSON")
    one = parts.add_parser("show", help="show a piece with its history")
    one.add_argument("piece", metavar="PIECE")
    one.add_argument("--json", action="store_true", help="print it as JSON")
    one = _part(parts, "out-of-service", "take a piece out of service: no run starts with it")
    one.add_argument("--because", required=True, metavar="TEXT", help="the reason, which a refused run states")
    one = _part(parts, "back", "put a piece back into service")
    one.add_argument("--because", required=True, metavar="TEXT")
    one = _part(parts, "calibrated", "record a calibration with its certificate")
    one.add_argument("--certificate", required=True, metavar="NUMBER")
    one.add_argument("--day", required=True, metavar="DAY", help="day of the calibration, YYYY-MM-DD")
    one.add_argument("--due", default=None, metavar="DAY", help="last day on which it holds")
    one.add_argument(
        "--found",
        choices=("inside", "outside"),
        default="",
        help="whether the piece was found within its tolerance, before any adjustment",
    )
    one.add_argument(
        "--left",
        choices=("inside",),
        default="",
        help="that it was within its tolerance afterwards, where no value shows an adjustment; a piece that was found "
        "outside and not adjusted is out of service",
    )
    one.add_argument(
        "--in-doubt",
        type=int,
        default=None,
        metavar="COUNT",
        help="number of results that it puts in doubt, as the refusal without it states: their certificates are "
        "withdrawn, and have to be made again also where the calibration is corrected later",
    )
    values = ("NAME", "FOUND", "LEFT", "U")
    text = "value as found, as left, and its expanded uncertainty (k = 2), with units"
    one.add_argument(
        "--constant", nargs=4, action="append", default=[], metavar=values, help=f"constant of the file: {text}"
    )
    one.add_argument(
        "--point", nargs=4, action="append", default=[], metavar=values, help=f"other point of the certificate: {text}"
    )
    one.add_argument("--because", default="", metavar="TEXT", help="reason, where a recorded calibration is corrected")


def _part(
    parts: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, text: str
) -> argparse.ArgumentParser:
    one = parts.add_parser(name, help=text)
    one.add_argument("piece", metavar="PIECE", help="bench-1, bench-1/coaxial-12, thermo-2/probe_1")
    one.add_argument("--serial", default="", metavar="SERIAL", help="serial number, where none is known yet")
    identity_arguments(one)
    return one


def run(args: argparse.Namespace) -> int:
    """Carry out one part and return the exit code."""
    if args.part in ("list", "show"):
        return _list(args) if args.part == "list" else _show(args)
    order: dict[str, Any] = {"piece": args.piece, "serial": args.serial, "because": args.because}
    if args.part == "out-of-service":
        done = perform(args, "equipment_out", order)
        say(plain(f"{_named(done)} is out of service: no run starts with it"))
        for sample in done["running"]:
            say(plain(f"the run of sample {sample} goes on; `daq stop` ends it, `daq annul` takes its result back"))
    elif args.part == "back":
        say(plain(f"{_named(perform(args, 'equipment_back', order))} is in service again"))
    else:
        given = {"certificate": args.certificate, "day": args.day, "due": args.due, "found": args.found}
        given |= {"left": args.left} | ({} if args.in_doubt is None else {"in_doubt": args.in_doubt})
        done = perform(args, "equipment_calibrated", order | given | {"values": _values(args)})
        due = f"; it holds until {done['due']}" if done["due"] else "; no day is stated until which it holds"
        say(plain(f"the calibration {args.certificate} of {_named(done)} is recorded{due}"))
        if args.found == "outside":
            count, name = done["in_doubt"], done["calibration"]
            say(plain(f"results in doubt since it was last found within: {count}; `daq affected '{name}'` lists them"))
        for one in done["damaged"]:
            words = f"the stored result of run {one['run']} is damaged in {one['field']}, and is in doubt, too"
            say(plain(f"{words}; `daq verify` lists what does not agree with the audit trail"), "note: ")
        if done["out_of_service"]:
            say(plain(f"it is out of service: {done['out_of_service']}"))
        for text in done["differing"]:
            say(plain(text), "note: ")
    return 0


def _named(done: dict[str, Any]) -> str:
    return f"{done['piece']} (serial number {done['serial']})" if done["serial"] else str(done["piece"])


def _values(args: argparse.Namespace) -> list[dict[str, Any]]:
    return [
        {"name": name, "constant": constant, "as_found": found, "as_left": left, "uncertainty": uncertainty}
        for constant, given in ((True, args.constant), (False, args.point))
        for name, found, left, uncertainty in given
    ]


def _list(args: argparse.Namespace) -> int:
    catalogue = Catalogue.load(config_dir(args.config), "instruments")
    with open_reader(args) as reader:
        lines = inventory(catalogue, reader, time.time_ns())
    if args.json:
        print_json([line.as_json() for line in lines])
        return 0
    head = ["piece", "serial number", "state", "calibration due", "verification due"]
    print_table(head, [_row(line) for line in lines])
    for line in lines:
        for text in line.remarks:
            say(plain(text), "note: ")
    return 0


def _row(line: Line) -> list[str]:
    return [plain(t) for t in (line.piece, line.serial or "-", line.state, line.calibration, line.verification)]


def _show(args: argparse.Namespace) -> int:
    catalogue = Catalogue.load(config_dir(args.config), "instruments")
    with open_reader(args) as reader:
        piece = named_piece(catalogue, reader, args.piece)
        lines = [line for line in inventory(catalogue, reader, time.time_ns()) if line.piece == piece.name]
        entries = history_of(reader, piece)
    if args.json:
        print_json({"now": [line.as_json() for line in lines], "history": [e.as_json() for e in entries]})
        return 0
    for line in lines:
        say(plain(f"{line.piece}, serial number {line.serial or 'not known'}: {line.state}"))
        say(plain(f"calibration due: {line.calibration}; verification due: {line.verification}"))
        for text in line.remarks:
            say(plain(text), "note: ")
    for entry in entries:
        say(plain(entry.words), "  ")
    return 0
