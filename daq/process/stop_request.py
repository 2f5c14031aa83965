"""The client's side of the control socket without the models of requests and answers, and the request to stop a run.

A stop must reach the motor without delay, and the import of all models takes several times longer than the stop itself.
So does the order of a run: `daq run` imports what shows the answers after it has sent the order.
"""

import json
import os
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, Literal

import daq
from daq.adapters.paths import holder, socket_path
from daq.core.errors import DaqError, LinkError, NotAllowedError, NotComparableError, SettingError
from daq.process.logins import own_login

PROTOCOL: Final = 4
"""Protocol number.  Raise it with every change that a client of another version would not understand."""
SEND_S: Final = 30.0
"""Longest time in seconds for the connection and the sending of a request."""
FailureKind = Literal["setting", "not_comparable", "not_allowed", "link", "fault"]
RAISED: Final[dict[FailureKind, type[DaqError]]] = {
    "not_comparable": NotComparableError,
    "not_allowed": NotAllowedError,
    "setting": SettingError,
    "link": LinkError,
}
"""Exception by the kind of a refusal."""


def line_of(data: dict[str, Any]) -> bytes:
    """Return the line of a request or an answer."""
    return json.dumps(data, separators=(",", ":")).encode() + b"\n"


def not_understood(error: object) -> LinkError:
    """Return the error for a line that is no answer of this protocol."""
    return LinkError(
        f"the daemon's answer is not understood ({error or 'unknown'}); if the daemon is not of version "
        f"{daq.__version__}, restart it with this version"
    )


def stop_run(path: Path, instrument: str) -> bool:
    """Ask the daemon to stop the run on an instrument; return whether there was one.

    Raises:
        LinkError: no daemon listens at `path`, it ended before it answered, or it gave no answer of this protocol.
        DaqError: the daemon refused the request; the error gives the reason.
    """
    for line in lines(path, line_of({"protocol": PROTOCOL, "do": "stop", "instrument": instrument})):
        try:
            answer = json.loads(line)
            if "error" in answer:
                refused = RAISED.get(answer["kind"], DaqError)(str(answer["error"]))
            elif type(answer.get("stopped")) is bool:
                return bool(answer["stopped"])
            else:
                refused = not_understood("")
        except (ValueError, RecursionError, TypeError, KeyError, AttributeError) as error:
            raise not_understood(error) from None
        raise refused
    raise LinkError(f"{path}: the daemon did not report that the request was done; see its log")


def lines(path: Path, request: bytes, *, timeout_s: float | None = 30.0) -> Iterator[bytes]:
    """Send the line of a request and yield the lines of the answers.

    Raises:
        LinkError: no daemon listens at `path`, or it ended before the last answer.
        SettingError: this login may not use the socket.
    """
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(timeout_s)
        try:
            connection.connect(str(path))
            connection.sendall(request)
            with connection.makefile("rb") as answers:
                for line in answers:
                    if not line.endswith(b"\n"):
                        break  # the daemon was killed in the middle of the line
                    yield line
        except PermissionError as error:
            raise SettingError(not_permitted(path.parent)) from error
        except OSError as error:
            raise LinkError(f"{path}: no answer from the daemon: {error}") from error
    raise LinkError(f"{path}: the daemon ended before it answered; see its log")


def sent(path: Path, request: bytes) -> socket.socket:
    """Connect to a daemon, send the line of a request, and return the connection, on which its answers come.

    Raises:
        LinkError: no daemon listens at `path`.
        SettingError: this login may not use the socket.
    """
    connection = socket.socket(socket.AF_UNIX)
    try:
        connection.settimeout(SEND_S)
        connection.connect(str(path))
        connection.sendall(request)
    except PermissionError as error:
        connection.close()
        raise SettingError(not_permitted(path.parent)) from error
    except OSError as error:
        connection.close()
        raise LinkError(f"{path}: the daemon does not answer: {error}") from error
    return connection


def daemon_socket(state: Path) -> Path | None:
    """Return the control socket of the daemon that holds a state directory; None if no daemon does.

    Raises:
        SettingError: the directory belongs to another login that lets this one use neither lock nor socket.
    """
    path = socket_path(state)
    if os.access(state / "lock", os.R_OK):
        return path if holder(state) is not None else None
    # The lock of another login cannot be asked; its socket can, by the members of its group.
    with socket.socket(socket.AF_UNIX) as connection:
        try:
            connection.connect(str(path))
        except PermissionError as error:
            raise SettingError(not_permitted(state)) from error
        except OSError:
            return None
    return path


def not_permitted(path: Path) -> str:
    """Return the sentence for a login that may not use a state directory."""
    return (
        f"{path} belongs to another login, and {own_login()} may not use it; become a member of the group that "
        "socket_group in daemon.toml names (usermod -aG GROUP LOGIN, then log in again), or use the login of the "
        "daemon: sudo -u daq daq ..."
    )
