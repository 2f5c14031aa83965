"""The state directory that the daemon's file names, without the models of the configuration.

Most commands need no more of the configuration, and an error elsewhere in it is no reason to refuse a list or a stop.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from daq.adapters.paths import DAEMON_FILE, SYSTEM_FOLDER, SYSTEM_STATE
from daq.textfiles.toml_file import read_toml

if TYPE_CHECKING:
    from daq.methods.files.daemon import Daemon


def state_named(folder: Path) -> str | None:
    """Return the state directory that the daemon's file in a folder names; None if it names none.

    Raises:
        SettingError: the file cannot be read, is not TOML, or names no usable directory.
    """
    path = folder / DAEMON_FILE
    state = read_toml(path).get("state")
    if state is None or (isinstance(state, str) and state and state.isprintable()):
        return absolute_state(state, str(path))
    from daq.methods.files.load import load_daemon

    return absolute_state(load_daemon(path).state, str(path))  # it refuses such a name, with the reason


def state_of(daemon: "Daemon") -> str | None:
    """Return the state directory that a daemon's file names; None if it names none."""
    return absolute_state(daemon.state, daemon.source)


def absolute_state(state: str | None, source: str) -> str | None:
    """Return a state directory, relative to the folder of the daemon's file `source`, as an absolute path.

    A file in `SYSTEM_FOLDER` that names none has `SYSTEM_STATE`, so that clients find the daemon of the systemd unit.
    """
    if state is None:
        of_system = source and Path(source).absolute().parent == SYSTEM_FOLDER
        return str(SYSTEM_STATE) if of_system else None
    return str((Path(source).parent / Path(state).expanduser()).absolute())
