"""Driver of the external thermometer: one line a second, unasked, with a one-byte checksum."""

import re
from collections.abc import Mapping
from typing import Any, ClassVar, Final

from daq.core.driver import Channel, Decoded, Driver, Identity, Port, Reject, Reply, Request, Values
from daq.core.errors import SettingError
from daq.core.framing import Framing

READING: Final = re.compile(rb"T ([+-]\d{1,4}\.\d{3}|---) (ok|open)")
IDENTITY: Final = re.compile(rb"I (\w{1,20}) serial=([!-~]{1,40}) firmware=([!-~]{1,20})")


class ThermometerDriver(Driver):
    """Temperature (Cel) of one probe.  No options."""

    kind: ClassVar[str] = "thermometer"
    has_checksum: ClassVar[bool] = True
    channels = (Channel("temperature", "Cel", -100.0, 400.0),)
    framing = Framing(terminator=b"\r\n", longest=80, drop_first=True)
    port = Port(baud=9600)
    streams = True
    interval_ns = 1_000_000_000
    stale_after_ns = 5_000_000_000

    def __init__(self, options: Mapping[str, Any]) -> None:
        super().__init__(options)
        if options:
            raise SettingError("the thermometer has no options", key=f"options.{min(options)}")

    def identify(self) -> Request:
        """Asks ``id``."""
        return Request(b"id\r\n", "identity", timeout_ns=2_500_000_000)

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:  # noqa: ARG002 - lines say what they are
        """A ``T`` line as one temperature, an ``I`` line as the identity; anything else rejected."""
        body, mark, check = line.rpartition(b"*")
        if not mark:
            return Reject("no checksum")
        xor = 0
        for byte in body:
            xor ^= byte
        if b"%02X" % xor != check:
            return Reject("wrong checksum")
        found = READING.fullmatch(body)
        if found:
            if found[1] == b"---" or found[2] == b"open":
                return Values((None,), (("temperature", "probe"),))
            return (float(found[1]),)
        found = IDENTITY.fullmatch(body)
        if found:
            kind, serial, firmware = (part.decode("ascii") for part in found.groups())
            return Reply("identity", identity=Identity(kind, serial, firmware))
        return Reject("unknown line")
