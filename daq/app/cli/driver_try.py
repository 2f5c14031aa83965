"""``daq driver try``: the values of an instrument live, read by a driver."""

import argparse
import asyncio
import dataclasses
import signal
from typing import Any


def arguments(parser: argparse.ArgumentParser) -> None:
    """The driver, the port."""
    parser.description = (
        "Show live what a driver reads from an instrument. Nothing is stored, nothing is moved. Compare the values\n"
        "with the instrument's own display: unit, sign and decimal mark are the usual mistakes."
    )
    parser.add_argument("what", metavar="FILE|NAME", help="a description (.toml), or the name of an installed driver")
    parser.add_argument("port", metavar="PORT", help="device, usb:VENDOR:PRODUCT[:SERIAL], socket://HOST:PORT")
    parser.add_argument("--option", action="append", default=[], metavar="NAME=VALUE", help="an option of the driver")
    parser.add_argument("--baud", type=int, metavar="N", help="otherwise as the driver says")
    parser.add_argument("--for", type=float, dest="seconds", metavar="S", help="so long; otherwise until Ctrl-C")
    parser.add_argument("--readings", type=int, metavar="N", help="end after so many readings")


def run(args: argparse.Namespace) -> int:
    """Show the values; 1 where none came."""
    from daq.adapters.transport import PortAddress
    from daq.app.driver_choice import chosen_driver, parse_options
    from daq.app.trying import Trial
    from daq.app.trying_screen import TrialScreen

    driver = chosen_driver(args.what, parse_options(args.option))()
    settings = driver.port if args.baud is None else dataclasses.replace(driver.port, baud=args.baud)
    with TrialScreen(driver) as screen:
        trial = Trial(driver, PortAddress(args.port, settings), screen.show)
        lost = asyncio.run(_until_done(trial, args))
    return _told(trial.tried, lost, args)


async def _until_done(trial: Any, args: argparse.Namespace) -> str:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, trial.end)
    found: str = await trial.run(seconds=args.seconds, readings=args.readings)
    return found


def _told(tried: Any, lost: str, args: argparse.Namespace) -> int:
    from daq.app.text import plain

    if lost:
        print(f"the port was lost: {plain(lost)}")
    rejected = sum(tried.report.get("rejected", {}).values())
    print(f"{tried.readings} readings, {rejected} lines not believed, {tried.report.get('timeouts', 0)} time-outs")
    for reason, count in tried.report.get("rejected", {}).items():
        print(f"  {count} x {plain(reason)}")
    if not tried.readings:
        print(f"no reading came; `daq capture {args.port}` shows what does")
        return 1
    print("next: name the driver in an instrument's file (instruments/NAME.toml), then `daq check`:")
    print(f'  driver = "{plain(args.what)}"')
    print(f'  port = "{plain(args.port)}"')
    return 0
