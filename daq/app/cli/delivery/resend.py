"""`daq resend`: publish results again, with the same ids and the same bytes."""

import argparse
import time
from pathlib import Path
from typing import Any, Final

from daq.adapters.paths import StateLock, database_path
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.cli.common import chosen_state
from daq.app.daemon.daemon_client import ask
from daq.app.daemon.protocol import Resent
from daq.app.delivery.resend_order import ResendOrder
from daq.app.delivery.resending import transaction_of
from daq.core.errors import SettingError, StoreError
from daq.methods.files.load import parse
from daq.process.logins import own_login
from daq.process.moments import read_moment
from daq.process.stop_request import daemon_socket

LONGEST_NUMBER: Final = 18
"""Greatest number of digits of a sequence number."""
EXAMPLES: Final = """\
examples:
  daq resend --from 2026-11-26T06:00 --to 2026-11-26T14:00      a shift, of all instruments
  daq resend --from 2026-11-26 --to 2026-11-26                  a day
  daq resend --instrument bench-1 --from 120 --to 180           results 120 to 180 of bench-1
  daq resend --refused                                          what the broker refused, quarantine included

A subscriber that keeps each result once, by source and id, gets nothing twice.  The outbox is published anyway.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("--from", dest="begin", metavar="WHEN", help="first sequence number, or time (ISO 8601)")
    parser.add_argument("--to", dest="end", metavar="WHEN", help="last one, included")
    parser.add_argument("--instrument", default="", metavar="NAME", help="only of this instrument")
    parser.add_argument("--refused", action="store_true", help="what the broker refused")
    parser.add_argument(
        "--epoch", type=int, metavar="N", help="numbers of an earlier epoch, from before a backup was restored"
    )


def run(args: argparse.Namespace) -> int:
    """Put results into the outbox again: through the daemon where one runs, otherwise directly."""
    order = order_of(args)
    transaction_of(order, 0, "")  # reports what is wrong before anything is changed
    state = chosen_state(args)
    socket = daemon_socket(state)
    count = _ask(socket, order) if socket is not None else _directly(state, order)
    what = "message" if count == 1 else "messages"
    when = "they go out now" if socket is not None else "they go out with the next `daq serve`"
    print(f"{count} {what} put into the outbox again" + (f"; {when}" if count else ": none were found"))
    if changed := _changed(state):
        print(f"{changed} not sent: changed in the database after they were stored (`daq outbox`, `daq verify`)")
    return 0


def _changed(state: Path) -> int:
    """Return the number of messages that are not sent because they were changed; 0 where this login cannot read it."""
    try:
        with Reader(database_path(state)) as reader:
            return reader.outbox_depth().changed
    except StoreError:
        return 0


def order_of(args: argparse.Namespace) -> ResendOrder:
    """Return the order that the arguments describe.

    Raises:
        SettingError: they do not fit together, or one is neither a number nor a time.
    """
    if args.refused:
        if args.begin or args.end or args.epoch is not None:
            raise SettingError("goes alone or with --instrument", key="--refused")
        return parse(ResendOrder, {"instrument": args.instrument, "refused": True})
    if not args.begin or not args.end:
        raise SettingError("say both: the first and the last, as numbers or as times", key="--from and --to")
    asked: dict[str, Any] = {"instrument": args.instrument}
    if args.begin.isdecimal() and args.end.isdecimal():
        first, last = _whole(args.begin, "--from"), _whole(args.end, "--to")
        return parse(ResendOrder, asked | {"epoch": args.epoch, "first": first, "last": last})
    if args.epoch is not None:
        raise SettingError("belongs to sequence numbers, not to times", key="--epoch")
    times = {
        "begin_utc_ns": _moment(args.begin, "--from", end=False),
        "end_utc_ns": _moment(args.end, "--to", end=True),
    }
    return parse(ResendOrder, asked | times)


def _whole(text: str, key: str) -> int:
    if len(text) > LONGEST_NUMBER:
        raise SettingError("is too large", key=key)
    return int(text)


def _moment(text: str, key: str, *, end: bool) -> int:
    try:
        return read_moment(text, end=end)
    except (ValueError, OverflowError):
        say = f"{text!r} is no sequence number and no time; write 120, 2026-11-26 or 2026-11-26T06:00"
        raise SettingError(say, key=key) from None


def _ask(socket: Path, order: ResendOrder) -> int:
    return ask(socket, order, Resent, timeout_s=None).resent


def _directly(state: Path, order: ResendOrder) -> int:
    path = database_path(state)
    if not path.exists():
        raise StoreError(f"{path}: there is no database: nothing was measured with this state directory yet")
    with StateLock(state), Store(path) as store:
        count: int = store.submit(transaction_of(order, time.time_ns(), own_login())).result()
        return count
