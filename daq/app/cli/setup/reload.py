"""`daq reload`: take up changed files in the running daemon."""

import argparse

from daq.adapters.paths import config_dir
from daq.app.cli.common import chosen_state
from daq.app.cli.printing import say
from daq.app.daemon.daemon_client import ask
from daq.app.daemon.protocol import Reload, Reloaded
from daq.app.screens.run_parts import NO_EFFECT
from daq.app.screens.text import plain
from daq.app.setup.catalogue import Catalogue
from daq.process.stop_request import daemon_socket

EXIT_NO_EFFECT = 2


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add nothing: the command has no arguments of its own."""
    parser.epilog = "Without a daemon the files are only checked: each command reads them anew."


def run(args: argparse.Namespace) -> int:
    """Ask the daemon to compare its files; 2 where a changed file has no effect, otherwise 0."""
    socket = daemon_socket(chosen_state(args))
    if socket is None:
        catalogue = Catalogue.load(config_dir(args.config))
        say(f"no daemon runs; {catalogue.files} files are right, and the next command uses them")
        return 0
    answer = ask(socket, Reload(), Reloaded)
    for line in answer.reloaded:
        say(plain(line))
    for line in answer.errors:
        say(plain(line), NO_EFFECT)
    if not answer.reloaded and not answer.errors:
        say("nothing has changed")
    return EXIT_NO_EFFECT if answer.errors else 0
