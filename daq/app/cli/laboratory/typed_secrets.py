"""Passwords and codes of badges: asked for on a terminal, or read from a file.  They are never arguments.

Every login of the machine can read the arguments of a process.
"""

import argparse
import getpass
import sys
from pathlib import Path
from typing import Final

from daq.core.errors import SettingError
from daq.textfiles.plain_file import read_plain

LARGEST: Final = 4096
"""Greatest size of such a file, bytes."""
STANDARD_INPUT: Final = "-"


def secret(file: str, question: str, key: str) -> str:
    """Return a secret.

    Args:
        file: file with the secret in its first line; ``-`` is standard input, ``/dev/fd/3`` a file descriptor, and ""
            asks on the terminal.
        question: text on the terminal.
        key: option that names the file, for an error.

    Raises:
        SettingError: the file cannot be read or is empty, or there is no terminal.
    """
    if not file:
        return _asked(question, key)
    try:
        line = sys.stdin.readline(LARGEST) if file == STANDARD_INPUT else _first_line(file)
    except (OSError, UnicodeDecodeError):
        raise SettingError(f"{file} cannot be read as text", key=key) from None
    found = line.removesuffix("\n").removesuffix("\r")
    if not found:
        raise SettingError(f"{file} holds nothing in its first line", key=key)
    return found


def new_secret(file: str, question: str, key: str) -> str:
    """Return a secret that is to be set; on a terminal it is asked for twice.  Arguments and errors as in `secret`."""
    found = secret(file, question, key)
    if not file and secret(file, f"again, {question}", key) != found:
        raise SettingError("the two entries differ; nothing has changed", key=key)
    return found


def badge_arguments(parser: argparse._ActionsContainer) -> None:
    """Add the options that identify a person by a badge."""
    parser.add_argument("--badge", dest="ask_badge", action="store_true", help="ask for the code of a badge")
    parser.add_argument("--badge-file", default="", metavar="FILE", help="file with that code; - is standard input")


def badge_of(args: argparse.Namespace) -> str:
    """Return the code of the badge that the options ask for; "" without."""
    return secret(args.badge_file, "badge: ", "--badge-file") if args.ask_badge or args.badge_file else ""


def _asked(question: str, key: str) -> str:
    if not sys.stdin.isatty():
        raise SettingError("there is no terminal to ask on; name a file, or - for standard input", key=key)
    return getpass.getpass(question)


def _first_line(file: str) -> str:
    if file.startswith("/dev/fd/"):
        with open(file, encoding="utf-8") as given:  # noqa: PTH123 - a descriptor
            return given.readline(LARGEST)
    return read_plain(Path(file), LARGEST).decode("utf-8").partition("\n")[0]
