"""Parse the name of a port in a file: a device, a USB adapter by its descriptors, or a network address."""

import re
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote, unquote, urlsplit

from daq.core.errors import SettingError

NETWORK: Final = ("socket", "rfc2217")
_HEX: Final = re.compile(r"[0-9A-Fa-f]{4}")
_ESCAPED: Final = re.compile(r"(?:[^%:]|%[0-9A-Fa-f]{2})+")


@dataclass(frozen=True, slots=True)
class UsbAdapter:
    """A serial adapter (or an instrument with one inside) by its USB descriptors.

    Attributes:
        vendor, product: the two 16-bit ids.
        serial: serial number; "" for any.
    """

    vendor: int
    product: int
    serial: str = ""

    def __str__(self) -> str:
        """Return the name for an instrument's file; colons and percent signs of the serial number are escaped."""
        name = f"usb:{self.vendor:04x}:{self.product:04x}"
        return f"{name}:{quote(self.serial, safe=' -_./+#()')}" if self.serial else name


def usb_adapter(name: str) -> UsbAdapter | None:
    """Return the USB adapter that `name` names; None where `name` is a device or a URL.

    Raises:
        SettingError: the name starts with ``usb:`` and the rest is wrong.
    """
    if not name.startswith("usb:"):
        return None
    ids = name.split(":")[1:]
    if len(ids) not in (2, 3) or not all(map(_HEX.fullmatch, ids[:2])) or not all(map(_ESCAPED.fullmatch, ids[2:])):
        raise SettingError(
            f"{name!r}: write usb:VENDOR:PRODUCT or usb:VENDOR:PRODUCT:SERIAL, the ids with four hexadecimal digits, "
            "for example usb:f1a2:0001:ADAPTER-0001 (a colon in the serial number as %3A); "
            "`daq doctor` lists what is there",
            key="port",
        )
    return UsbAdapter(int(ids[0], 16), int(ids[1], 16), unquote(ids[2]) if len(ids) > 2 else "")


def network_place(name: str) -> tuple[str, int] | None:
    """Return host and port number of a network port; None where `name` is another kind of port.

    Raises:
        SettingError: the host or the number is missing or wrong.
    """
    refuse_login(name)
    scheme = name.partition("://")[0]
    if scheme not in NETWORK or "://" not in name:
        return None
    try:
        where = urlsplit(name)
        host, number = where.hostname, where.port
    except ValueError:
        host, number = None, None
    if not host or not number:
        raise SettingError(f"{name!r}: write {scheme}://HOST:NUMBER, for example {scheme}://192.0.2.7:4001", key="port")
    return host, number


def refuse_login(name: str) -> None:
    """Refuse a user or a password in the name of a port.

    Raises:
        SettingError: it has one; the error does not repeat it.
    """
    if "@" in name and ("://" in name or not name.startswith(("/", "usb:"))):
        raise SettingError(
            "holds a user or a password, which every reader and every backup of this file would have, and which no "
            "port uses; write only socket://HOST:NUMBER or rfc2217://HOST:NUMBER",
            key="port",
        )


def check_port_name(name: str) -> None:
    """Check the name of a port.

    Raises:
        SettingError: the name is not valid.
    """
    usb_adapter(name)
    network_place(name)
