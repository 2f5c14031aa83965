"""Carry out an act from the command line."""

import argparse
from collections.abc import Mapping
from typing import Any

from daq.adapters.clock import SystemClock
from daq.adapters.paths import StateLock, config_dir, database_path
from daq.adapters.store.store import Store
from daq.app.cli.common import chosen_state
from daq.app.daemon.control import ask, daemon_socket
from daq.app.daemon.protocol import Perform, Performed
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.app.setup.catalogue import Catalogue
from daq.process.logins import own_login


def perform(args: argparse.Namespace, act: str, order: Mapping[str, Any]) -> dict[str, Any]:
    """Carry out an act through the daemon, or directly where none runs; return its outcome.

    Raises:
        DaqError: the act was refused; nothing has changed.
    """
    state = chosen_state(args, create=True)
    socket = daemon_socket(state)
    if socket is not None:
        return ask(socket, Perform(act=act, order=dict(order)), Performed).performed
    catalogue = Catalogue.load(config_dir(args.config))
    with StateLock(state), Store(database_path(state)) as store:
        return carry_out(Laboratory(store, catalogue, SystemClock(), own_login()), act, order)
