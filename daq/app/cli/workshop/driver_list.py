"""``daq driver list``: which kinds of instruments this installation knows."""

import argparse
import contextlib
from typing import Any

from daq.app.cli.common import print_json
from daq.app.screens.text import called, plain
from daq.app.setup.drivers import Drivers
from daq.core.driver import Driver
from daq.core.errors import SettingError
from daq.core.units import symbol


def arguments(parser: argparse.ArgumentParser) -> None:
    """How to print."""
    parser.add_argument("--json", action="store_true", help="print them as JSON")


def run(args: argparse.Namespace) -> int:
    """Print every driver; 1 where one cannot be used, otherwise 0."""
    drivers = Drivers.find()
    problems = drivers.problems()
    entries = [{"driver": name} | ({"problem": problems[name]} if name in problems else _about(drivers, name))
               for name in drivers.names]  # fmt: skip
    if args.json:
        print_json(entries)
    else:
        for entry in entries:
            _show(entry)
        if not entries:
            print("no driver is installed")
    return 1 if problems else 0


def _about(drivers: Drivers, name: str) -> dict[str, Any]:
    made: type[Driver] | Driver = drivers.driver_class(name)
    # What it measures may depend on its options; where it cannot do without them, the class says what it can.
    with contextlib.suppress(SettingError):
        made = drivers.make(name, {})
    return {
        "channels": [{"name": c.name, "unit": c.unit, "low": c.low, "high": c.high} for c in made.channels],
        "streams": made.streams,
        "actions": sorted(made.capabilities),
        "on_link_loss": made.on_link_loss,
        "zero_condition": made.zero_condition or None,
        "checksum": made.has_checksum,
        "baud": made.port.baud,
    }


def _show(entry: dict[str, Any]) -> None:
    print(plain(entry["driver"]))
    if "problem" in entry:
        print(f"  WRONG: {plain(entry['problem'])}")
        return
    for c in entry["channels"]:
        print(f"  {plain(c['name'])}: {c['low']:g} to {c['high']:g} {symbol(c['unit'])}".rstrip())
    print(f"  {'sends by itself' if entry['streams'] else 'is asked'}, {entry['baud']} baud, "
          f"lines {'with' if entry['checksum'] else 'WITHOUT'} checksum")  # fmt: skip
    if entry["actions"]:
        turns = (
            ""
            if entry["on_link_loss"] == "no_motor"
            else f"; without its cable the motor {called(entry['on_link_loss'])}"
        )
        print(f"  can: {', '.join(entry['actions'])}{turns}")
    if entry["zero_condition"]:
        print(f"  to zero it: {plain(entry['zero_condition'])}")
