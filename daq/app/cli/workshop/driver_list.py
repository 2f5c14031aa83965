"""``daq driver list``: list the kinds of instruments that this installation knows."""

import argparse
import contextlib
from typing import Any

from daq.app.cli.common import print_json
from daq.app.cli.printing import say
from daq.app.screens.text import plain, spaced
from daq.app.setup.drivers import Drivers
from daq.core.driver import Driver
from daq.core.errors import SettingError
from daq.core.units import symbol


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
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
    # The channels may depend on the options; where the driver needs options, those of the class are listed.
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
        say(plain(entry["problem"]), "  WRONG: ")
        return
    for c in entry["channels"]:
        say(f"{plain(c['name'])}: {c['low']:g} to {c['high']:g} {symbol(c['unit'])}".rstrip(), "  ")
    way, checksum = "sends by itself" if entry["streams"] else "is asked", "with" if entry["checksum"] else "WITHOUT"
    say(f"{way}, {entry['baud']} baud, lines {checksum} checksum", "  ")
    if entry["actions"]:
        turns = (
            ""
            if entry["on_link_loss"] == "no_motor"
            else f"; without its cable the motor {spaced(entry['on_link_loss'])}"
        )
        say(f"{', '.join(entry['actions'])}{turns}", "  can: ")
    if entry["zero_condition"]:
        say(plain(entry["zero_condition"]), "  to zero it: ")
