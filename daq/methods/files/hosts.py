"""Names and addresses of servers in files."""

import ipaddress
from typing import Annotated, Final

from pydantic import AfterValidator

from daq.methods.files.fields import Text

UNENCRYPTED: Final = (
    "the password goes unencrypted over the network to {host}, where others can read it; add {table}.tls, or use a "
    "server on this machine"
)


def broker_host(host: str) -> str:
    """Return the host of a broker; `ValueError` if the text is more than a name or an address."""
    _refuse_more_than_host(host, "mqtt", "broker")
    if "/" in host:
        raise ValueError("is only the name or address of the broker, without mqtt:// and without path")
    return host


def database_host(host: str) -> str:
    """Return the host of a database, or the folder of its socket; `ValueError` if the text is more than that."""
    _refuse_more_than_host(host, "postgresql", "server")
    return host


def _refuse_more_than_host(host: str, scheme: str, what: str) -> None:
    # No error repeats the text, because it may contain a password.
    if "@" in host:
        raise ValueError(
            "holds a user or a password, which every reader and every backup of this file would have; write only the "
            "name or address here, `user = ...` beside it, and a reference to the password, such as "
            'password = { file = "..." }'
        )
    if "://" in host or any(c.isspace() for c in host):
        raise ValueError(f"is only the name or address of the {what}, without {scheme}:// and without path")


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


BrokerHost = Annotated[Text, AfterValidator(broker_host)]
DatabaseHost = Annotated[Text, AfterValidator(database_host)]
