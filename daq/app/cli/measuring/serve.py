"""`daq serve`: run the daemon."""

import argparse
import asyncio
import os

import daq.process.plainlogs  # noqa: F401 - before any module that logs
from daq.adapters.clock import SystemClock
from daq.adapters.paths import config_dir, state_dir
from daq.app.daemon.process import serve
from daq.app.daemon.supervisor import Supervisor
from daq.app.delivery.contract import schema_messages
from daq.app.delivery.publishing import Publishing
from daq.app.delivery.sparkplug import Sparkplug
from daq.app.setup.catalogue import Catalogue
from daq.process.extras import need
from daq.process.logs import set_up_logs
from daq.process.pagechild import page_command


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--only", metavar="NAME", action="append", default=[], help="serve only this instrument")
    parser.add_argument("--page", action="store_true", help="serve the page too, as a process of its own")


def run(args: argparse.Namespace) -> int:
    """Serve until SIGTERM or Ctrl-C."""
    catalogue = Catalogue.load(config_dir(args.config))
    set_up_logs(catalogue.daemon.log.level, catalogue.daemon.log.format)
    supervisor = Supervisor(
        catalogue,
        state_dir(args.state, catalogue.state),
        SystemClock(),
        only=tuple(args.only),
        publishing=publishing(catalogue),
        sparkplug=sparkplug(catalogue),
        computes_apart=catalogue.daemon.computes_apart,
    )
    asyncio.run(serve(supervisor, page=_page(args) if args.page else ()))
    return 0


def _page(args: argparse.Namespace) -> tuple[str, ...]:
    """Return the command of the page beside this daemon."""
    need("fastapi", "the page")
    return tuple(page_command(config=args.config, state=args.state, parent=os.getpid()))


def publishing(catalogue: Catalogue) -> Publishing | None:
    """Return the connection to the broker that the daemon's file names, with the schemas; None where it names none."""
    found = Publishing.from_settings(catalogue.daemon)
    if found is not None:
        found.schemas = schema_messages(found.topics)
    return found


def sparkplug(catalogue: Catalogue) -> Sparkplug | None:
    """Return the edge node of the daemon's file; None where it has none."""
    return Sparkplug.from_settings(catalogue.daemon)
