"""Carry out an act from the command line, as the person that the options identify."""

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daq.adapters.paths import config_dir
from daq.app.cli.common import chosen_state
from daq.app.cli.laboratory.typed_secrets import badge_arguments, badge_of, secret
from daq.app.cli.printing import say
from daq.core.errors import SettingError

if TYPE_CHECKING:
    from daq.app.laboratory.given import Given


def identity_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that identify a person at a login that several share."""
    group = parser.add_argument_group("who acts (otherwise the person of this login)")
    group.add_argument("--as", dest="as_person", default="", metavar="PERSON", help="log in; the password is asked for")
    group.add_argument(
        "--as-password-file", default="", metavar="FILE", help="file with that password; - is standard input"
    )
    badge_arguments(group)


def given_by(args: argparse.Namespace) -> "Given":
    """Return badge, or person and password, by the options of `identity_arguments`.

    Raises:
        SettingError: a file cannot be read, or there is no terminal to ask on.
    """
    from daq.app.laboratory.given import Given
    from daq.methods.files.load import parse

    password = ""
    if args.as_person:
        password = secret(args.as_password_file, f"password of {args.as_person}: ", "--as-password-file")
    elif args.as_password_file:
        raise SettingError("goes with --as PERSON", key="--as-password-file")
    return parse(Given, {"person": args.as_person, "password": password, "badge": badge_of(args)})


def perform(
    args: argparse.Namespace, act: str, order: Mapping[str, Any], given: "Given | None" = None
) -> dict[str, Any]:
    """Carry out an act through the daemon, or directly where none runs; return its outcome.

    `given` is what `given_by` returned before, where one command carries out several acts.

    Raises:
        DaqError: the act was refused; nothing has changed.
    """
    # Most commands of this kind also list, and a list needs none of this.
    from daq.app.daemon.daemon_client import ask
    from daq.app.daemon.protocol import Perform, Performed
    from daq.process.stop_request import daemon_socket

    state = chosen_state(args, create=True)
    given = given_by(args) if given is None else given
    socket = daemon_socket(state)
    if socket is not None:
        return ask(socket, Perform(act=act, order=dict(order), by=given), Performed).performed
    return _carried_out(args, act, order, given, state)


def _carried_out(
    args: argparse.Namespace, act: str, order: Mapping[str, Any], given: "Given", state: Path
) -> dict[str, Any]:
    """Carry out an act in this process, where no daemon holds the state directory."""
    import time

    from daq.adapters.clock import SystemClock
    from daq.adapters.paths import StateLock, database_path
    from daq.adapters.store.store import Store
    from daq.app.daemon.continuity import continue_numbers
    from daq.app.delivery.publishing import topics_of
    from daq.app.laboratory.acts import carry_out
    from daq.app.laboratory.laboratory import Laboratory
    from daq.app.setup.catalogue import Catalogue
    from daq.process.logins import own_login

    catalogue = Catalogue.load(config_dir(args.config))
    with StateLock(state), Store(database_path(state)) as store:
        # The next start of the daemon compares the database with the mark that this keeps.
        continue_numbers(store, time.time_ns())
        broker = catalogue.daemon.mqtt
        laboratory = Laboratory(
            store,
            catalogue,
            SystemClock(),
            own_login(),
            # Messages wait in the outbox for the next start of the daemon.
            topics=None if broker is None else topics_of(catalogue.daemon),
            with_flat=broker is not None and broker.flat,
        )
        return carry_out(laboratory, act, order, given)


def say_withdrawn(done: Mapping[str, Any]) -> None:
    """Print the certificates that a correction, an annulment or a decision withdrew, and damaged results beside it."""
    from daq.app.screens.text import plain
    from daq.laboratory.kinds import number_of

    for ident in done["withdrawn"]:
        say(f"certificate {number_of(ident)} is WITHDRAWN with it; tell the persons who have it", "  ")
    for one in done["damaged"]:
        words = f"the stored result of run {one['run']} is damaged in {one['field']}: its sample is not judged again"
        say(plain(f"{words}; restore it from a backup, `daq verify` lists what does not agree"), "note: ")
