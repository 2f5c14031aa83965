"""Paths of the configuration, the examples and the state directory, and the lock on the state directory."""

import contextlib
import errno
import os
import stat
import time
from pathlib import Path
from typing import Final, Self

from daq.core.errors import SettingError, StoreError

try:
    import fcntl
except ImportError:  # not a POSIX system: `daq check` works there, but a state directory cannot be locked
    fcntl = None  # type: ignore[assignment]

DAEMON_FILE: Final = "daemon.toml"
SYSTEM_FOLDER: Final = Path("/etc/daq")
SYSTEM_STATE: Final = Path("/var/lib/daq")
"""State directory of the daemon whose file is in `SYSTEM_FOLDER` (StateDirectory=daq of the systemd unit)."""
LONGEST_SOCKET: Final = 107
"""Greatest length of a Unix socket's path, bytes (sun_path of Linux, less its final zero byte)."""
OWNER_WRITES_S: Final = 1.0
"""Time (s) within which an owner writes its process id after it took the lock."""


def examples_dir() -> Path:
    """Return the folder of the example configuration: that in the wheel, or the checkout's ``config`` folder.

    Raises:
        SettingError: neither folder exists; the installation is damaged.
    """
    package = Path(__file__).resolve().parent.parent
    packed, checkout = package / "examples", package.parent / "config"
    for folder in (packed, checkout):
        if (folder / DAEMON_FILE).is_file():
            return folder
    raise SettingError("the example configuration is missing; install daq again", file=str(packed))


def config_dir(given: str | None) -> Path:
    """Return the folder of the daemon's file.

    The search order is `given` (--config), $DAQ_CONFIG, /etc/daq, $XDG_CONFIG_HOME/daq, the packaged examples.
    The first two may name the file or its folder.

    Raises:
        SettingError: --config or $DAQ_CONFIG names a path without a daemon's file.
    """
    for name, asked in (("--config", given), ("$DAQ_CONFIG", os.environ.get("DAQ_CONFIG"))):
        if asked:
            return _named_config(Path(asked).expanduser(), name)
    for folder in (SYSTEM_FOLDER, _xdg("XDG_CONFIG_HOME", ".config") / "daq"):
        if (folder / DAEMON_FILE).is_file():
            return folder
    return examples_dir()


def _named_config(path: Path, name: str) -> Path:
    if path.is_dir():
        if (path / DAEMON_FILE).is_file():
            return path
        raise SettingError(
            f"{name} names a folder without {DAEMON_FILE}; `daq init {path}` copies the examples there", file=str(path)
        )
    if not path.exists():
        raise SettingError(
            f"{name} names a path that does not exist; `daq init FOLDER` makes a configuration to start with",
            file=str(path),
        )
    if path.name != DAEMON_FILE:
        raise SettingError(f"{name} must name {DAEMON_FILE} or the folder it is in", file=str(path))
    return path.parent


def state_dir(given: str | None, configured: str | None = None, *, create: bool = True) -> Path:
    """Return the state directory.

    The order of precedence is `given` (--state), $STATE_DIRECTORY, `configured` (``state`` of the daemon's file,
    absolute), $XDG_STATE_HOME/daq.  With `create`, a missing directory is made with access for its owner only.

    Raises:
        SettingError: the path is not a directory, or the directory cannot be made.
    """
    # systemd separates several directories by colons; the unit of daq lists its own first.
    of_systemd = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    chosen = given or of_systemd or configured
    folder = Path(chosen).expanduser() if chosen else _xdg("XDG_STATE_HOME", ".local/state") / "daq"
    if folder.exists() and not folder.is_dir():
        raise SettingError("the state directory is a file; name a directory with --state", file=str(folder))
    if create:
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise SettingError(
                f"the state directory cannot be made: {error.strerror}; name another with --state", file=str(folder)
            ) from error
    return folder


def _xdg(variable: str, fallback: str) -> Path:
    """Return a base directory; a relative value is ignored, as the XDG specification demands."""
    value = os.environ.get(variable, "")
    return Path(value) if value.startswith("/") else Path.home() / fallback


def open_to_others(folder: Path) -> str:
    """Return why a state directory cannot be trusted, and what to do; "" if only its owner may write in it."""
    mode = stat.S_IMODE(folder.stat().st_mode)
    return f"others may write in {folder} (mode {mode:o}); run: chmod go-w {folder}" if mode & 0o022 else ""


def database_path(state: Path) -> Path:
    """Return the path of the database in a state directory."""
    return state / "daq.db"


def socket_path(state: Path) -> Path:
    """Return the path of the control socket in a state directory.

    Raises:
        SettingError: the path is longer than the operating system allows for a socket.
    """
    path = (state / "control").absolute()
    if len(os.fsencode(path)) > LONGEST_SOCKET:
        raise SettingError(
            f"the path is longer than the {LONGEST_SOCKET} bytes a socket may have; choose a state directory with a "
            "shorter path",
            file=str(path),
        )
    return path


class StateLock:
    """Ownership of a state directory, and so of its database, ports and outbox.

    The lock is an flock of the file ``lock``.  The operating system frees it when the process ends, also after a kill.
    The process id in the file is for people.  Call `acquire` and `release`, or use it as a context manager.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / "lock"
        self._fd = -1

    def acquire(self) -> None:
        """Lock the directory.

        Raises:
            StoreError: another process holds the lock; the text names its process id.
            SettingError: the directory cannot be written, others may write in it, or the lock is a symbolic link.
        """
        try:
            others = open_to_others(self.path.parent)
            fd = -1 if others else os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        except OSError as error:
            if error.errno == errno.ELOOP:
                raise SettingError(
                    "is a symbolic link, which daq does not follow; remove it", file=str(self.path)
                ) from error
            raise SettingError(
                f"cannot be opened: {error.strerror}; check owner and mode of the state directory", file=str(self.path)
            ) from error
        if others:
            raise SettingError(f"the state directory cannot be trusted: {others}", file=str(self.path.parent))
        try:
            self._take(fd)
            os.ftruncate(fd, 0)
            os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
        except BaseException:
            os.close(fd)
            raise
        self._fd = fd

    def _take(self, fd: int) -> None:
        deadline = time.monotonic() + OWNER_WRITES_S
        while not _flock(fd):
            pid = _pid_in(fd)
            # `holder` takes the lock for an instant and writes no process id.  An owner writes one.
            if (pid is not None and _lives(pid)) or time.monotonic() > deadline:
                who = f"process {pid}" if pid is not None else "another process"
                raise StoreError(
                    f"{self.path.parent}: {who} holds this state directory; stop it, use the daq commands that talk to "
                    "it, or choose another directory with --state"
                )
            time.sleep(0.01)

    def release(self) -> None:
        """Release the lock; later calls do nothing."""
        if self._fd >= 0:
            os.ftruncate(self._fd, 0)
            os.close(self._fd)
            self._fd = -1

    def __enter__(self) -> Self:
        self.acquire()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def holder(folder: Path) -> int | None:
    """Return the process id of a state directory's owner: None without owner, 0 until the owner has written its id."""
    try:
        fd = os.open(folder / "lock", os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError:
        return None
    try:
        return None if _flock(fd, shared=True) else _pid_in(fd) or 0
    finally:
        os.close(fd)


def _flock(fd: int, *, shared: bool = False) -> bool:
    if fcntl is None:
        raise StoreError("this system has no POSIX file locks: daq can check files here, but cannot measure")
    try:
        fcntl.flock(fd, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
            raise
        return False
    return True


def _pid_in(fd: int) -> int | None:
    with contextlib.suppress(ValueError):
        return int(os.pread(fd, 32, 0))
    return None


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:  # no permission to signal it: it is alive and belongs to another user
        return True
    return True


def make_private(path: Path) -> None:
    """Make an empty file that only its owner may read, in the place of an older one."""
    path.unlink(missing_ok=True)
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_WRONLY, 0o600))


def sync(path: Path) -> None:
    """Wait until a file or folder is on the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
