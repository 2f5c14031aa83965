"""``daq driver registers``: print the channels of a Modbus instrument from a map of its registers."""

import argparse

from daq.app.cli.common import wanted_path
from daq.core.errors import SettingError

LARGEST = 256_000
"""Greatest size of a map, bytes."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Print the tables [options.channels.NAME] of a Modbus instrument from a CSV file with a row for each\n"
        "register; copy them into the instrument's file. Columns: name, register (from 0) or address (30001, 40001),\n"
        "type, unit, low, high; words (high first, low first) for types of 32 and 64 bits; and table, bytes, scale,\n"
        "offset, special (-32768=probe). With a semicolon between the columns numbers have a decimal comma."
    )
    parser.add_argument("map", metavar="FILE", type=wanted_path, help="map of the registers, CSV in UTF-8")


def run(args: argparse.Namespace) -> int:
    """Print the tables."""
    # Imported here, because other parts of `daq driver` need none of it.
    from daq.textfiles.plain_file import read_plain
    from drivers.modbus.register_map import channels_of, toml_of

    raw = read_plain(args.map, LARGEST, what="a map of registers")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise SettingError("is not UTF-8", file=str(args.map)) from None
    print(toml_of(channels_of(text, str(args.map))), end="")
    return 0
