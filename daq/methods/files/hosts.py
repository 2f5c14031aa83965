"""Names and addresses of servers in files."""

import ipaddress
from typing import Final

from daq.methods.files.fields import KeyedError

UNENCRYPTED: Final = (
    "the password goes unencrypted over the network to {host}, where others can read it; add {table}.tls, or use a "
    "server on this machine"
)


def refuse_more_than_host(host: str, scheme: str, what: str) -> None:
    """Refuse a user, a password, a scheme, a path or a port in the place of a host.

    The error does not repeat the text, because it may contain a password.

    Args:
        host: the text of the file.
        scheme: scheme of such an address, for the error.
        what: name of the server, for the error.

    Raises:
        KeyedError: the text is more than a name or an address.
    """
    if "@" in host:
        raise KeyedError(
            "host",
            "holds a user or a password, which every reader and every backup of this file would have; write only the "
            "name or address here, `user = ...` beside it, and a reference to the password, such as "
            'password = { file = "..." }',
        )
    if "://" in host or any(c.isspace() for c in host):
        raise KeyedError("host", f"is only the name or address of the {what}, without {scheme}:// and without path")


def is_local(host: str) -> bool:
    """Return True for this machine: its names, its loopback addresses, and a path of a socket."""
    name = host.rstrip(".").lower()
    if name.startswith("/") or name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        return ipaddress.ip_address(name.removeprefix("[").removesuffix("]")).is_loopback
    except ValueError:
        return False


def goes_openly(host: str, *, password: bool, tls: bool) -> bool:
    """Return True if a password is sent without encryption to another machine."""
    return password and not tls and not is_local(host)
