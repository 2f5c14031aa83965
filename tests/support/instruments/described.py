"""The built-in instruments that tests use, as driver classes made from their descriptions."""

from binascii import crc_hqx
from collections.abc import Mapping
from functools import cache
from typing import Any, ClassVar

from daq.descriptions.driver import OPTION, DescribedDriver
from daq.descriptions.load import Description, load_description
from drivers import rotational, thermometer


@cache
def description(path: object) -> Description:
    return load_description(str(path))


class Described(DescribedDriver):
    path: ClassVar[object]

    def __init__(self, *given: Any) -> None:
        """Make the driver from its options alone; they may hold the whole description, as the header of a journal does."""
        found = description(self.path)
        options: Mapping[str, Any] = given[-1]
        super().__init__(found.tables, found.raw, {key: value for key, value in options.items() if key != OPTION})


class RotationalDriver(Described):
    has_checksum = True
    path = rotational.DESCRIPTION


class ThermometerDriver(Described):
    has_checksum = True
    path = thermometer.DESCRIPTION


def line(text: str) -> bytes:
    """Return `text` with the rotational instrument's checksum and terminator (CRC-16/XMODEM, binascii)."""
    raw = text.encode("ascii")
    return raw + b"#%04X\r\n" % crc_hqx(raw, 0)
