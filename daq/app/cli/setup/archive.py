"""``daq archive``: move the journals of old runs from the database to files on another medium."""

import argparse
import time
from datetime import date
from pathlib import Path
from typing import Any, Final

from daq.adapters.paths import DAEMON_FILE, config_dir, database_path
from daq.adapters.store.archiving.finding import Size, size_of
from daq.adapters.store.reading import Reader
from daq.app.cli.common import chosen_state, open_reader, refuse_foreign, wanted_path
from daq.app.cli.laboratory.acting import given_by, identity_arguments, perform
from daq.app.cli.printing import say
from daq.app.laboratory.retention.archive_acts import refuse_too_early
from daq.app.records.archiving import Archiving, recorded_archives, refuse_same_medium
from daq.app.screens.text import plain
from daq.app.setup.periods import first_moment
from daq.core.errors import SettingError
from daq.methods.files.load import load_daemon

EXIT_LEFT: Final = 13
"""Exit code where a run was left out because its stored data do not agree."""
EXAMPLES: Final = """\
examples:
  daq archive --before 2021-01-01 --to /media/archive
  daq archive --list
  daq replay 3f2a --archive /media/archive/daq-1a2b3c4d-0007.archive

Results, kept values, messages and the audit trail stay in the database. The file of the database keeps its size; its
free part takes new data. A second command goes on where the first one was interrupted.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("--before", metavar="DATE", help="archive the runs that started before this day")
    parser.add_argument("--to", metavar="FOLDER", type=wanted_path, help="folder on another medium")
    parser.add_argument("--same-medium", action="store_true", help="accept a folder on the file system of the database")
    parser.add_argument("--list", action="store_true", help="list the archives, and do nothing else")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Archive and print the archives, and the size of the database before and after."""
    if args.list:
        return _list(args)
    if args.before is None or args.to is None:
        raise SettingError("say from which day on runs stay, and where the archives go: --before DATE --to FOLDER")
    try:
        before = date.fromisoformat(args.before)
    except ValueError:
        raise SettingError(f"{args.before!r} is no day; write 2021-01-01", key="--before") from None
    daemon = load_daemon(config_dir(args.config) / DAEMON_FILE)
    refuse_too_early(daemon.retention.journals, before, time.time_ns())
    state, folder = chosen_state(args), Path(args.to).absolute()
    refuse_foreign(state)
    database = database_path(state)
    size = _size(database)
    if not args.same_medium:
        refuse_same_medium(database, folder)
    given = given_by(args)

    def act(name: str, order: dict[str, Any]) -> dict[str, Any]:
        return perform(args, name, order, given)

    try:
        done = Archiving(database, folder, act, say=lambda text: say(plain(text))).run(first_moment(before))
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}", file=str(folder), key="--to") from error
    for note in done.notes:
        say(plain(note))
    for name, why in done.left.items():
        say(f"run {name} stays, because its stored data do not agree: {plain(why)}")
    if not done.archives:
        say(f"no journal of a run before {before} is in the database")
    say(f"database: {_text(size)} before, {_text(_size(database))} after")
    return EXIT_LEFT if done.left else 0


def _list(args: argparse.Namespace) -> int:
    count = 0
    with open_reader(args) as reader:
        for a in recorded_archives(reader):
            count += 1
            about = f"{len(a.runs)} runs from {a.first} to {a.last}, written to {a.folder}, SHA-256 {a.sha256}"
            say(plain(f"{a.file}: {about}"))
    if not count:
        say("there is no archive: every journal is in the database")
    return 0


def _size(database: Path) -> Size:
    with Reader(database) as reader:
        return size_of(reader)


def _text(size: Size) -> str:
    return f"{size.used / 1e6:.1f} MB used of {size.file / 1e6:.1f} MB"
