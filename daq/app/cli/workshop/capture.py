"""``daq capture``: record what goes over an instrument's line, byte by byte with times."""

import argparse
import asyncio
import contextlib
import math
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from daq.app.cli.common import wanted_path
from daq.core.errors import LinkError, SettingError

if TYPE_CHECKING:
    from daq.app.workshop.capturing import Capturing

USUAL_BAUD = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
SHOWN = 12
"""Number of lines that are shown; the file has all of them."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Record what goes over a line, in both directions, with times: the first step towards a new driver.\n\n"
        "  an instrument that sends by itself:    daq capture /dev/ttyUSB0 --for 30\n"
        "  one that must be asked:                daq capture /dev/ttyUSB0 --send 'mass?' --rounds 10\n"
        "  to find out what it understands:       daq capture /dev/ttyUSB0 --type\n"
        "  control characters (STX, ETX):         daq capture /dev/ttyUSB0 --send '\\x02W\\x03' --end ''\n\n"
        "Baud rate, parity and line end stand in the instrument's manual or in its menu."
    )
    parser.add_argument(
        "port", metavar="PORT", help="device, usb:VENDOR:PRODUCT[:SERIAL], socket:// or rfc2217://HOST:PORT"
    )
    parser.add_argument("-o", "--output", metavar="FILE", type=wanted_path, help="file to write (default: new.capture)")
    line = parser.add_argument_group("the line")
    line.add_argument("--baud", type=baud, default=9600, metavar="N", help="default 9600")
    line.add_argument("--bits", type=int, choices=(5, 6, 7, 8), default=8, help="data bits, default 8")
    line.add_argument("--parity", choices=("N", "E", "O"), default="N", help="none, even, odd; default N")
    line.add_argument("--stop", type=float, choices=(1, 1.5, 2), default=1, help="stop bits, default 1")
    line.add_argument("--flow", choices=("none", "xon/xoff", "rts/cts"), default="none", help="default none")
    for name in ("dtr", "rts"):
        line.add_argument(f"--{name}", choices=("on", "off"), help=f"level of {name.upper()}; left as it is otherwise")
    what = parser.add_argument_group("what to do")
    what.add_argument(
        "--send", action="append", default=[], metavar="TEXT", help="send this; may be given several times"
    )
    what.add_argument("--end", default=r"\r\n", metavar="TEXT", help=r"what ends a request, default \r\n")
    what.add_argument("--rounds", type=count, default=10, metavar="N", help="send them all N times, default 10")
    what.add_argument("--every", type=seconds, default=1.0, metavar="S", help="seconds from round to round, default 1")
    what.add_argument("--wait", type=seconds, default=1.0, metavar="S", help="seconds to wait for an answer, default 1")
    what.add_argument("--for", type=seconds, dest="seconds", metavar="S", help="listen for S seconds (until Ctrl-C)")
    what.add_argument("--type", action="store_true", help="send what is typed; '= 12.3 g' notes what the display shows")


def run(args: argparse.Namespace) -> int:
    """Capture, and print what to do next; exit code 1 where nothing came."""
    from daq.adapters.ports.transport import PortAddress
    from daq.app.workshop.capturing import Capturing, Wish
    from daq.core.driver import Port

    levels = {"on": True, "off": False, None: None}
    settings = Port(
        baud=args.baud,
        data_bits=args.bits,
        parity=args.parity,
        stop_bits=args.stop,
        flow=args.flow,
        dtr=levels[args.dtr],
        rts=levels[args.rts],
    )
    end = _bytes(args.end, "--end")
    wish = Wish(
        PortAddress(args.port, settings),
        sends=[_bytes(text, "--send") + end for text in args.send],
        rounds=args.rounds,
        every_s=args.every,
        wait_s=max(0.05, args.wait),
        listen_s=args.seconds,
        typed=sys.stdin if args.type else None,
        end=end,
    )
    path: Path = args.output or Path("new.capture")
    if path.exists():
        raise SettingError("exists already; name another file with -o, or remove it", file=str(path))

    def opened() -> None:
        if not args.send and args.seconds is None:
            print("listening; Ctrl-C ends it" + (", what you type is sent" if args.type else ""), flush=True)

    shown = Shown()
    try:
        file = path.open("x", encoding="utf-8", newline="\n")
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}", file=str(path)) from error
    capturing = Capturing(wish, file, shown, opened)
    try:
        asyncio.run(_until_done(capturing))
    except LinkError as error:
        raise with_advice(error, args.port) from error
    finally:
        with contextlib.suppress(OSError):  # on a full disk, which was reported already
            file.close()
        if not capturing.capture.received:  # the same command can be given again
            path.unlink()
    return _report(capturing.capture.received, len(capturing.capture.sent), path, capturing.lost, args)


async def _until_done(capturing: "Capturing") -> None:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, capturing.end)
    await capturing.run()


class Shown:
    """Shows the first lines of a capture, then that it goes on."""

    def __init__(self) -> None:
        self._count = 0

    def __call__(self, line: str) -> None:
        """Show a line of the capture."""
        self._count += 1
        if self._count <= SHOWN or line.lstrip()[:1] not in "0123456789":
            print(line)
        elif self._count == SHOWN + 1:
            print("  ... and so on; everything is in the file")
        sys.stdout.flush()


def _report(received: bytes, requests: int, path: Path, lost: str, args: argparse.Namespace) -> int:
    if lost:
        print(f"ended early: {lost}")
    if not received:
        print(f"nothing came from the instrument in answer to {requests} requests" if requests else "nothing came")
        print("  is it on, and the cable the right one (crossed or straight)? does it need DTR: --dtr on?")
        print(f"  is {args.baud} baud, {args.bits}{args.parity}{args.stop:g} what its manual or menu says?")
        print("  many instruments speak only when asked (--send), or when their key is pressed")
        return 1
    print(f"{len(received)} bytes came, {requests} requests were sent; all of it is in {path}")
    strange = sum(b > 0x7E or (b < 0x20 and b not in b"\r\n\t\x01\x02\x03\x06\x15") for b in received)
    if strange * 4 > len(received):
        print(f"  {strange} of the bytes are no text. Where its manual speaks of text, the baud rate ({args.baud}),")
        print("  the data bits or the parity are wrong: remove the file and capture again, for example with")
        print(f"  --baud {next((b for b in USUAL_BAUD if b > args.baud), USUAL_BAUD[0])} or --bits 7 --parity E")
        return 0
    if set(received) <= set(b"\x15\r\n"):
        print(r"  \x15 (NAK) is all that it answers: it refuses. Look at the request, its end (--end) and its checksum")
        print("  in the manual, remove the file and capture again")
        return 0
    print(f"next: daq driver new NAME --from {path}")
    return 0


def with_advice(error: LinkError, port: str) -> LinkError:
    """Return the error of a port that could not be opened, with what to do."""
    from daq.app.workshop.ports import what_to_do

    do = what_to_do(port)
    return LinkError(f"{error}\n  {do}") if do else error


def baud(text: str) -> int:
    """Return a baud rate from the command line."""
    if not text.isdecimal() or not 50 <= int(text) <= 4_000_000:
        raise argparse.ArgumentTypeError(f"{text!r} is no baud rate; write a number from 50 to 4000000, such as 9600")
    return int(text)


def count(text: str) -> int:
    """Return a number of times from the command line."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: write a whole number, 1 or more")
    return int(text)


def seconds(text: str) -> float:
    """Return a time (s) from the command line."""
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value < math.inf:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of seconds")
    return value


def _bytes(text: str, option: str) -> bytes:
    from daq.descriptions.capture import unescaped

    try:
        return unescaped(text)
    except ValueError as error:
        raise SettingError(str(error), key=option) from None
