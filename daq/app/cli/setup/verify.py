"""``daq verify``: compare every stored copy of each fact, and what was kept outside, with the database."""

import argparse
import json
from pathlib import Path
from typing import Any, Final

from daq.adapters.paths import database_path
from daq.adapters.store.agreement.outside import NEEDED
from daq.adapters.store.archiving.checking import check_archive
from daq.adapters.store.checks import Finding, check_content, check_outside
from daq.adapters.store.reading import Reader
from daq.app.cli.common import chosen_state, wanted_path
from daq.app.cli.setup.doctor import show
from daq.app.records.archiving import recorded_archives
from daq.core.errors import DaqError, SettingError
from daq.laboratory.archives import Archive

LARGEST: Final = 16 * 2**20
"""Largest size of a message's file, bytes."""
EXAMPLES: Final = """\
examples:
  daq verify                          the whole database: pages, audit trail, results, messages, journals
  daq verify result-0412.json         a message that a consumer kept: the same in the database?
  daq verify --archive FILE           an archive: its bytes, its journals, and that it agrees with the database
  daq verify --head 3f0c...           the head of the audit trail that a consumer kept

Entries removed from the end of the audit trail leave no trace in the database.  A message or a head that was kept
outside shows them.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument(
        "messages", metavar="MESSAGE.json", nargs="*", type=wanted_path, help="a message as it was published"
    )
    parser.add_argument(
        "--head",
        metavar="HASH",
        action="append",
        default=[],
        help="a hash of the audit trail (audit_head of a message)",
    )
    parser.add_argument(
        "--archive",
        metavar="FILE",
        action="append",
        default=[],
        type=wanted_path,
        help="an archive (daq archive); without its database it is checked by itself",
    )
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def run(args: argparse.Namespace) -> int:
    """Print every finding; 0 where all agrees, otherwise 1."""
    messages = [(path.name, read_message(path)) for path in args.messages]
    if args.archive:
        found = _database_of_archives(args)
        return show([f for path in args.archive for f in check_archive(path, found)], as_json=args.json)
    database = database_path(chosen_state(args))
    if messages or args.head:
        return show(check_outside(database, messages, args.head), as_json=args.json)
    return show([*check_content(database), *archives_of(database)], as_json=args.json)


def _database_of_archives(args: argparse.Namespace) -> Path | None:
    """Return the database with which archives are compared; None where there is none on this machine."""
    try:
        database = database_path(chosen_state(args))
    except DaqError:
        return None
    return database if database.exists() else None


def archives_of(database: Path) -> list[Finding]:
    """Return a finding for each recorded archive.  One that is not here is no fault."""
    try:
        with Reader(database) as reader:
            return [_of_record(a) for a in recorded_archives(reader)]
    except (DaqError, ValueError):
        return []  # the checks of the content give the reason


def _of_record(a: Archive) -> Finding:
    say = (
        f"{a.file} has the journals of {len(a.runs)} runs from {a.first} to {a.last}, SHA-256 {a.sha256}; their "
        "digests agree with the audit trail; --archive FILE checks the journals themselves"
    )
    return Finding(True, "archive", say)


def read_message(path: Path) -> dict[str, Any]:
    """Return the message in a file.

    Raises:
        SettingError: the file cannot be read, or holds no message of daq.
    """
    file = str(path)
    try:
        with path.open("rb") as source:
            raw = source.read(LARGEST + 1)
    except OSError as error:
        raise SettingError(f"cannot be read: {error.strerror}", file=file) from None
    if len(raw) > LARGEST:
        raise SettingError(f"is larger than {LARGEST // 2**20} MiB; this is no message of daq", file=file)
    try:
        event = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise SettingError(f"is not JSON: {error}; save the message's payload as it was published", file=file) from None
    missing = [name for name in NEEDED if not isinstance(event, dict) or name not in event]
    if missing:
        raise SettingError(f"is no message of daq: {', '.join(missing)} missing", file=file)
    if not isinstance(event["data"], dict):
        raise SettingError("is no message of daq: data is no object", file=file)
    return dict(event)
