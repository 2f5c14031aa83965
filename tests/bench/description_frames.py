"""A frame of bytes for `tests.bench.description`: the description, and the same driver in Python with plain `struct`."""

import struct
from binascii import crc_hqx

from daq.core.driver import Channel, Decoded, Driver, Reject, Request, Values
from daq.descriptions.load import check_description

HEAD = b"\xaa\x55\x01"
DESCRIPTION = {
    "format": 1,
    "kind": "frame",
    "stream": {},
    "checksum": {"crc": {"width": 16, "polynomial": 0x1021, "initial": 0xFFFF}, "written": "big_endian", "skip": 2},
    "channel": [
        {"name": "density", "unit": "kg/m3", "low": 0, "high": 3000},
        {"name": "temperature", "unit": "Cel", "low": -20, "high": 120},
    ],
    "line": {
        "it": {
            "says": "reading",
            "bytes": "AA 55 01 {density:f32be} {temperature:i16be} {state:u8}",
            "fields": {"temperature": {"scale": 0.01}, "state": {"means": {"0": "", "1": "temperature: probe"}}},
        }
    },
}
FORM = struct.Struct(">3sfhBH")


def described() -> Driver:
    return check_description(DESCRIPTION).driver()


class PythonFrames(Driver):
    """Density (kg/m3) and temperature (Cel) of frames of 12 bytes."""

    kind = "frame"
    has_checksum = True
    channels = (Channel("density", "kg/m3", 0.0, 3000.0), Channel("temperature", "Cel", -20.0, 120.0))

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        if len(line) != FORM.size:
            return Reject("wrong length")
        head, density, hundredths, state, check = FORM.unpack(line)
        if crc_hqx(line[2:-2], 0xFFFF) != check:
            return Reject("wrong checksum")
        if head != HEAD or density - density != 0.0:
            return Reject("unknown frame")
        if state == 0:
            return density, hundredths * 0.01
        if state == 1:
            return Values((density, None), (("temperature", "probe"),))
        return Reject("unknown state")


def frame(density: float, hundredths: int, state: int = 0) -> bytes:
    content = HEAD + struct.pack(">fhB", density, hundredths, state)
    return content + crc_hqx(content[2:], 0xFFFF).to_bytes(2, "big")
