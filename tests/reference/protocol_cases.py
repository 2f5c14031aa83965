"""The values of protocols.csv, computed with the public functions and with descriptions."""

import binascii
import re
import struct

from daq.core.checksums import CHECKSUMS
from daq.core.driver import Reject, Values
from daq.descriptions.load import check_description
from daq.descriptions.types import number_pattern
from drivers.modbus import frames


def described(columns="{x:number}", *, comma=False, special=None):
    """Return a driver with one channel, for the text of a column."""
    tables = {
        "format": 1,
        "kind": "one-number",
        "decimal": "comma" if comma else "point",
        "framing": {"encoding": "utf-8"},
        "channel": [{"name": "x", "unit": "1", "low": -1e38, "high": 1e38}],
        "stream": {},
        "line": {"x": {"says": "reading", "columns": [columns], "fields": {"x": {"special": special or {}}}}},
    }
    return check_description(tables).driver()


def read(text, **how):
    decoded = described(**how).decode(text.encode())
    return "refused" if isinstance(decoded, Reject) else decoded[0]


def checksums(names):
    def evaluate(i):
        return {name: f"0x{CHECKSUMS[name].of(i['data'].encode()):X}" for name in names}

    return evaluate


def nothing_and_piecewise(_i):
    return {
        "crc-16/modbus of nothing": f"0x{CHECKSUMS['crc-16/modbus'].of(b''):X}",
        "crc-32 of nothing": f"0x{CHECKSUMS['crc-32'].of(b''):X}",
        "crc-32 of 1234, then 56789": f"0x{binascii.crc32(b'56789', CHECKSUMS['crc-32'].of(b'1234')):X}",
    }


def modbus(i):
    pdu = frames.read(i["unit"], frames.READ_HOLDING, i["register"], i["count"])
    answer = bytes.fromhex("110306AE415652434049AD")
    return {
        "RTU frame": frames.rtu(pdu).hex().upper(),
        "CRC": f"0x{CHECKSUMS['crc-16/modbus'].of(pdu):X}",
        "ASCII frame": frames.ascii_frame(pdu).decode(),
        "LRC": f"0x{CHECKSUMS['lrc'].of(pdu):X}",
        "CRC over the whole frame": CHECKSUMS["crc-16/modbus"].of(frames.rtu(pdu)),
        "registers of 110306AE415652434049AD": list(struct.unpack(">3H", frames.body_of_rtu(answer)[3:])),
    }


def nmea(i):
    between = i["sentence"].partition("$")[2].partition("*")[0]
    return {"checksum": f"0x{CHECKSUMS['xor'].of(between.encode()):X}"}


def ieee_488_2(i):
    def is_a(kind, text):
        return re.fullmatch(number_pattern(kind), text) is not None

    out = {t: next((k.upper() for k in ("nr1", "nr2", "nr3") if is_a(k, t)), "none") for t in i["texts"]}
    forgiven = [t for t in i["texts"] if out[t] == "none" and is_a("scientific", t)]
    return out | {"taken by a forgiving listener": forgiven}


def scpi(_i):
    special = {"9.9E37": "over_range", "-9.9E37": "under_range", "9.91E37": "not_a_number"}
    driver = described("{x:scientific}", special=special)
    out = {}
    for text in special:
        for written in (text, f"{float(text):+.6E}"):
            decoded = driver.decode(written.encode())
            assert isinstance(decoded, Values)
            assert decoded.values == (None,)
            ((_, out[text]),) = decoded.faults
    queue = described('{x:number};{:whole},"{:text}"').decode(b'1.5;0,"No error"')
    return out | {
        "empty error queue": "no fault" if queue == (1.5,) else queue,
        "float of 9.9E37": float(b"9.9E37"),
        "9.91E37 as binary32": struct.pack(">f", 9.91e37).hex().upper(),
    }


def text_traps(_i):
    return {
        "12,5 with a point": read("12,5"),
        "12,5 with a comma": read("12,5", comma=True),
        "1013 with a blank behind it": read("1013 "),
        "typographic minus": read("\N{MINUS SIGN} 5"),
        "nan": read("nan"),
        "inf": read("inf"),
    }


CRCS = (
    "crc-8",
    "crc-16/modbus",
    "crc-16/ccitt-false",
    "crc-16/xmodem",
    "crc-16/kermit",
    "crc-16/arc",
    "crc-32",
    "crc-32c",
)

EVALUATE = {
    "PRO-CRC-01": checksums(CRCS),
    "PRO-CRC-02": nothing_and_piecewise,
    "PRO-MB-01": modbus,
    "PRO-NMEA-01": nmea,
    "PRO-SUM-01": checksums(("sum", "xor", "lrc")),
    "PRO-488-01": ieee_488_2,
    "PRO-SCPI-01": scpi,
    "PRO-TXT-01": text_traps,
}
