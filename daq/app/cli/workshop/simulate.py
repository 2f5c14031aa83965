"""``daq simulate``: simulate an instrument, from a capture or a description."""

import argparse
import math
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from daq.app.cli.common import wanted_path
from daq.core.errors import LinkError, SettingError

if TYPE_CHECKING:
    from daq.app.workshop.simulating import Device


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Simulate an instrument, to try a driver without it.\n\n"
        "  from a capture:       what was asked there is answered as it was, what came unasked is repeated\n"
        "  from a description:   its lines, with values that go slowly up and down in each channel's range"
    )
    parser.add_argument("what", metavar="FILE|NAME", help="a capture, a description, or a driver that is a description")
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--pty", type=wanted_path, metavar="LINK", help="symbolic link to the pseudo-terminal")
    where.add_argument("--tcp", metavar="HOST:PORT", help="address to listen on; port 0 lets the system choose")
    parser.add_argument("--set", action="append", default=[], metavar="CHANNEL=VALUE", help="a value that stays")
    parser.add_argument("--option", action="append", default=[], metavar="NAME=VALUE", help="an option of the driver")
    parser.add_argument("--show", action="store_true", help="print what goes over the line")


def run(args: argparse.Namespace) -> int:
    """Serve until Ctrl-C."""
    from daq.app.workshop.simulating import Server
    from daq.descriptions.capture import escaped
    from simulators.links import PtyLink, TcpLink

    device = _device(args)

    def heard(way: str, data: bytes) -> None:
        print(f"{way} {escaped(data)}", flush=True)

    def ready(address: str) -> None:
        print(f"ready {address}; Ctrl-C ends it", flush=True)

    try:
        link = PtyLink(args.pty) if args.pty else TcpLink(*_address(args.tcp))
        server = Server(device, link, heard) if args.show else Server(device, link)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: server.stop())
        server.run(ready)
    except OSError as error:
        raise LinkError(f"{args.pty or args.tcp}: {error.strerror or error}") from error
    return 0


def _device(args: argparse.Namespace) -> "Device":
    from daq.app.setup.driver_choice import is_capture
    from daq.descriptions.capture import FIRST_LINE, load_capture
    from daq.testing.player import CapturePlayer

    path = Path(args.what).expanduser()
    if not path.is_file() or not is_capture(path):
        if path.is_file() and path.suffix != ".toml":
            raise SettingError(
                f"is neither a capture (its first line is {FIRST_LINE!r}) nor a description (.toml)", file=str(path)
            )
        return _described(args)
    if args.set or args.option:
        raise SettingError("a capture is played as it is; leave --set and --option out", file=str(path))
    capture = load_capture(path)
    player = CapturePlayer(capture)
    if not player.streams and not player.requests:
        raise SettingError("nothing came from the instrument in this capture", file=str(path))
    if capture.cut:
        print(f"{path}: its last line was cut off and is left out", file=sys.stderr)
    return player


def _described(args: argparse.Namespace) -> "Device":
    from daq.app.setup.driver_choice import chosen_driver, parse_options
    from daq.app.setup.drivers import Drivers
    from daq.app.workshop.described_device import DescribedDevice
    from daq.core.driver import Driver
    from daq.descriptions.driver import DescribedDriver

    drivers = Drivers.find()
    driver: Driver | None = None
    if args.what not in drivers.entries or issubclass(drivers.driver_class(args.what), DescribedDriver):
        driver = chosen_driver(args.what, parse_options(args.option))()
    if not isinstance(driver, DescribedDriver):
        raise SettingError(
            f"the driver {args.what!r} is written in Python, and only a description or a capture can be simulated; "
            "capture the instrument (`daq capture PORT`) and simulate that"
        )
    fixed: dict[str, float] = {}
    for text in args.set:
        name, mark, value = text.partition("=")
        try:
            fixed[name] = float(value)
        except ValueError:
            mark = ""
        if not mark or not math.isfinite(fixed[name]):
            raise SettingError(f"needs CHANNEL=NUMBER, got {text!r}", key="--set")
    return DescribedDevice(driver, fixed)


def _address(text: str) -> tuple[str, int]:
    host, mark, port = text.rpartition(":")
    if not mark or not port.isdigit() or int(port) > 65535:
        raise SettingError(f"needs HOST:PORT, got {text!r}", key="--tcp")
    return host, int(port)
