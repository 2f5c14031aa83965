"""The state directory that a daemon's file names."""

from pathlib import Path

from daq.adapters.paths import SYSTEM_FOLDER, SYSTEM_STATE
from daq.methods.files.daemon import Daemon


def state_of(daemon: Daemon) -> str | None:
    """Return the state directory that a daemon's file names, relative to the file's folder; None if it names none.

    A file in `SYSTEM_FOLDER` that names none has `SYSTEM_STATE`, so that clients find the daemon of the systemd unit.
    """
    if daemon.state is None:
        of_system = daemon.source and Path(daemon.source).absolute().parent == SYSTEM_FOLDER
        return str(SYSTEM_STATE) if of_system else None
    return str((Path(daemon.source).parent / Path(daemon.state).expanduser()).absolute())
