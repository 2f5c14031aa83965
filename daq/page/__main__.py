"""``python -m daq.page``: the process that `daq page` starts."""

import argparse
import asyncio
import os
import sys
from collections.abc import Sequence
from typing import Final

import daq.process.plainlogs  # noqa: F401 - before any module that logs
from daq.core.errors import DaqError, SettingError
from daq.page.server import serve_page
from daq.page.settings import PageSettings
from daq.process.logs import set_up_logs

POLITE: Final = 5
"""Niceness of the process: the daemon has priority."""
EXIT_USAGE: Final = 2
EXIT_FAILED: Final = 13


def main(argv: Sequence[str] | None = None) -> int:
    """Serve the page; return the exit code."""
    parser = argparse.ArgumentParser(prog="daq page")
    for name in ("config", "state", "own", "listen", "pair"):
        parser.add_argument(f"--{name}")
    parser.add_argument("--log", default="info")
    parser.add_argument("--parent", type=int)
    args = parser.parse_args(argv)
    set_up_logs(args.log, "auto")
    os.nice(POLITE)
    try:
        settings = PageSettings.read(args.config, args.state, args.own, args.listen)
        asyncio.run(serve_page(settings, parent=args.parent, pair=args.pair))
    except SettingError as error:
        print(f"daq: {error}", file=sys.stderr)  # noqa: T201 - a command's error
        return EXIT_USAGE
    except DaqError as error:
        print(f"daq: {error}", file=sys.stderr)  # noqa: T201
        return EXIT_FAILED
    return 0


if __name__ == "__main__":
    sys.exit(main())
