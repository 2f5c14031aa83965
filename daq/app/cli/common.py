"""Functions that several commands use."""

import argparse
import contextlib
import io
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from daq.adapters.paths import config_dir, database_path, state_dir
from daq.app.screens.json_text import harmless_json
from daq.app.setup.state_folder import state_named
from daq.core.errors import DaqError, SettingError
from daq.process.logins import login_of, own_login

if TYPE_CHECKING:
    from daq.adapters.store.reading import Reader

RUN_HELP = "the run's id, a unique beginning of it, 'last', or the id of a sample"


def count_of(text: str) -> int:
    """Return the number of rows that a person typed, for argparse."""
    if not text.isdecimal() or len(text) > 9 or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of rows; write 1 or more")
    return int(text)


def say_more(limit: int, further: str = "go on with a greater --limit") -> None:
    """Say on standard error, beside a table or JSON, that a list was cut at its limit, and how to see the others."""
    print(f"daq: there are more than {limit}; the others are not listed: {further}", file=sys.stderr)


def chosen_state(args: argparse.Namespace, *, create: bool = False) -> Path:
    """Return the state directory of a command; `create`: make it where it does not exist."""
    configured = None
    if not args.state and not os.environ.get("STATE_DIRECTORY"):
        configured = state_named(config_dir(args.config))
    return state_dir(args.state, configured, create=create)


def archive_argument(parser: argparse.ArgumentParser) -> None:
    """Add the option that names the archive with the journal of a run."""
    parser.add_argument(
        "--archive",
        metavar="FILE",
        type=wanted_path,
        help="archive with the journal of the run; where its database is not here, the run is read from it alone",
    )


def archives_argument(parser: argparse.ArgumentParser) -> None:
    """Add the option that names archives with the journals of runs."""
    parser.add_argument(
        "--archive",
        metavar="FILE",
        type=wanted_path,
        action="append",
        help="archive with journals of the runs; repeat it for more archives. Where their database is not here, the "
        "runs are read from them alone",
    )


def open_reader(args: argparse.Namespace) -> "Reader":
    """Return the database of a command, open for reading, with the archives that the command names.

    Where this is not the database of the archives, or there is none, the first archive is returned with the others.

    Raises:
        SettingError: the database belongs to another login, or the archives are of several databases.
    """
    given: Path | list[Path] | None = getattr(args, "archive", None)
    if not given:
        return _open_database(args)
    from daq.adapters.store.archiving.archive_reader import open_archives

    first, *others = archives = open_archives(given if isinstance(given, list) else [given])
    try:
        reader = _open_database(args)
    except DaqError:
        # On another machine there is no configuration, no state directory or no database.
        first.archives += others
        return first
    if reader.identity()[0] != first.identity()[0]:
        reader.close()
        first.archives += others
        return first
    reader.archives += archives
    return reader


def _open_database(args: argparse.Namespace) -> "Reader":
    from daq.adapters.store.reading import Reader  # `daq stop` reads no database

    state = chosen_state(args)
    refuse_foreign(state)
    return Reader(database_path(state))


def refuse_foreign(state: Path) -> None:
    """Refuse the database of another login.

    Raises:
        SettingError: this login may not read the database.
    """
    path = database_path(state)
    for each in (state, path):
        try:
            usable = not each.exists() or os.access(each, os.R_OK if each == path else os.X_OK)
            owner = login_of(each.stat().st_uid) if not usable else ""
        except PermissionError:
            usable, owner = False, "another login"
        if not usable:
            raise SettingError(
                f"belongs to {owner}, and {own_login()} may not read it; runs are read by the login of the daemon "
                f"(sudo -u {owner if owner != 'another login' else 'daq'} daq ...) or from a backup that you own",
                file=str(each),
            )


def print_json(value: Any) -> None:
    """Print one JSON document."""
    sys.stdout.write(json_text(value))


def json_text(value: Any) -> str:
    """Return one JSON document as text for a person or a program."""
    return harmless_json(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)) + "\n"


def wanted_path(text: str) -> Path:
    """Return a path from the command line."""
    return Path(text).expanduser()


@contextlib.contextmanager
def output(path: Path | None, key: str = "-o") -> Iterator[IO[str]]:
    """Give a stream to write to; a new file appears only after all of it was written."""
    if path is None:
        out = io.TextIOWrapper(sys.stdout.buffer, encoding="utf-8", newline="", write_through=False)
        try:
            yield out
            out.flush()
        finally:
            out.detach()
        return
    part = path.with_name(path.name + ".part")
    try:
        if path.exists():
            raise SettingError("exists already; name a new file", file=str(path), key=key)
        with part.open("w", encoding="utf-8", newline="") as out:
            yield out
        part.rename(path)
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}; choose another place", file=str(path)) from error
    finally:
        part.unlink(missing_ok=True)


def new_file(path: Path, content: bytes, key: str) -> None:
    """Write a new file, which appears only after all of it was written.

    Raises:
        SettingError: the file exists already, or cannot be written.
    """
    part = path.with_name(path.name + ".part")
    try:
        if path.exists():
            raise SettingError("exists already; name a new file", file=str(path), key=key)
        part.write_bytes(content)
        part.rename(path)
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}; choose another place", file=str(path)) from error
    finally:
        part.unlink(missing_ok=True)
