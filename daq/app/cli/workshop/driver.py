"""``daq driver``: list, write, check and try drivers."""

import argparse
import importlib
from typing import Final

#: Name, what it does, module in this package with `arguments(parser)` and `run(args)`.
PARTS: Final[tuple[tuple[str, str, str], ...]] = (
    ("list", "list the kinds of instruments that are known", "driver_list"),
    ("new", "write a first description from a capture, or a Python distribution to begin with", "driver_new"),
    ("registers", "print the channels of a Modbus instrument from a map of its registers", "driver_registers"),
    ("check", "run the conformance kit on a driver", "driver_check"),
    ("try", "show live what a driver reads", "driver_try"),
    ("schema", "print the JSON Schema of description files, for editors", "driver_schema"),
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add a parser for each part."""
    parser.description = (
        "List, write, check and try drivers.\n\n"
        "The way to a new one: `daq capture` -> `daq driver new` -> `daq driver check` -> `daq driver try`."
    )
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True)
    for name, text, module in PARTS:
        part = parts.add_parser(
            name,
            help=text,
            description=text[0].upper() + text[1:] + ".",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        importlib.import_module(f"{__package__}.{module}").arguments(part)


def run(args: argparse.Namespace) -> int:
    """Run the part and return its exit code."""
    module = {name: module for name, _, module in PARTS}[args.part]
    code: int = importlib.import_module(f"{__package__}.{module}").run(args)
    return code
