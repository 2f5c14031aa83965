"""``daq driver try``: show live what a driver reads from an instrument."""

import argparse
import asyncio
import dataclasses
import signal
from typing import Any

from daq.app.cli.workshop.capture import baud, count, seconds, with_advice
from daq.core.driver import Port
from daq.core.errors import LinkError


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Show live what a driver reads from an instrument. Nothing is stored, nothing is moved. Compare the values\n"
        "with the instrument's own display: unit, sign and decimal mark are the usual mistakes."
    )
    parser.add_argument("what", metavar="FILE|NAME", help="a description, an instrument's file, or a driver's name")
    parser.add_argument(
        "port", metavar="PORT", help="device, usb:VENDOR:PRODUCT[:SERIAL], socket:// or rfc2217://HOST:PORT"
    )
    parser.add_argument("--option", action="append", default=[], metavar="NAME=VALUE", help="an option of the driver")
    parser.add_argument("--baud", type=baud, metavar="N", help="otherwise as the driver says")
    parser.add_argument("--for", type=seconds, dest="seconds", metavar="S", help="for S seconds (until Ctrl-C)")
    parser.add_argument("--watch", action="store_true", help="show the raw lines beside the values")
    parser.add_argument("--readings", type=count, metavar="N", help="end after N readings")


def run(args: argparse.Namespace) -> int:
    """Show the values; exit code 1 where none came or the port was lost."""
    from daq.adapters.ports.transport import PortAddress
    from daq.app.setup.driver_choice import chosen_driver, parse_options
    from daq.app.workshop.trying import Trial
    from daq.app.workshop.trying_screen import TrialScreen

    driver = chosen_driver(args.what, parse_options(args.option))()
    settings = driver.port if args.baud is None else dataclasses.replace(driver.port, baud=args.baud)
    with TrialScreen(driver, watch=args.watch) as screen:
        trial = Trial(driver, PortAddress(args.port, settings), screen.show)
        try:
            lost = asyncio.run(_until_done(trial, args))
        except LinkError as error:
            raise with_advice(error, args.port) from error
    return _report(trial.tried, lost, args, settings)


async def _until_done(trial: Any, args: argparse.Namespace) -> str:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, trial.end)
    found: str = await trial.run(seconds=args.seconds, readings=args.readings)
    return found


def _report(tried: Any, lost: str, args: argparse.Namespace, settings: Port) -> int:
    from daq.app.cli.printing import say
    from daq.app.screens.text import plain

    if lost:
        say(f"the port was lost: {plain(lost)}")
    rejected = sum(tried.report.get("rejected", {}).values())
    say(f"{tried.readings} readings, {rejected} lines rejected, {tried.report.get('timeouts', 0)} time-outs")
    for reason, times in tried.report.get("rejected", {}).items():
        say(f"{times} x {plain(reason)}", "  ")
    if not tried.readings:
        _nothing(tried, args, settings)
        return 1
    if lost:
        say("next: see to the cable, the converter and the instrument's power, then try again")
        return 1
    say("next: name the driver in an instrument's file (instruments/NAME.toml), then `daq check`:")
    say(f'driver = "{plain(args.what)}"', "  ")
    say(f'port = "{plain(args.port)}"', "  ")
    return 0


def _nothing(tried: Any, args: argparse.Namespace, settings: Port) -> None:
    """Print the last bytes and what to do where no reading came."""
    from daq.app.cli.printing import say
    from daq.app.screens.text import plain

    if tried.raw:
        say(plain(repr(tried.raw)[1:]), "last bytes: ")
        say(f"is this the right driver, and {settings.baud} baud what the instrument's menu says? (--baud)", "  ")
    line = f" --baud {settings.baud}" if settings.baud != Port().baud else ""
    line += f" --bits {settings.data_bits}" if settings.data_bits != Port().data_bits else ""
    line += f" --parity {settings.parity}" if settings.parity != Port().parity else ""
    say(f"no reading came; `daq capture {plain(args.port)}{line}` shows what does")
