"""Logins of this machine: of this process, and of the process at the other end of a Unix socket."""

import getpass
import os
import socket
import struct
from typing import Final

try:
    import pwd
except ImportError:  # not a POSIX system: there is no daemon, only files are checked
    pwd = None  # type: ignore[assignment]

_CREDENTIALS: Final = struct.Struct("3i")
"""struct ucred of Linux: process id, user id, group id (unix(7))."""


def login_of(uid: int) -> str:
    """Return the login of a user id; ``uid 1234`` if the machine has no login for it."""
    if pwd is None:
        return f"uid {uid}"
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"


def is_login(name: str) -> bool:
    """Return whether the machine has a login of this name."""
    if pwd is None:
        return False
    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True


def own_login() -> str:
    """Return the login of this process.

    The environment (LOGNAME, USER) is ignored, because everyone can set it.
    """
    return login_of(os.getuid()) if hasattr(os, "getuid") else getpass.getuser()


def peer_login(connection: socket.socket) -> str:
    """Return the login of the process at the other end of a Unix socket, as the kernel knows it.

    Where the system has no SO_PEERCRED, return the login of this process: only its owner can then open the socket.
    """
    option = getattr(socket, "SO_PEERCRED", None)
    if option is None:
        return own_login()
    _, uid, _ = _CREDENTIALS.unpack(connection.getsockopt(socket.SOL_SOCKET, option, _CREDENTIALS.size))
    return login_of(uid)
