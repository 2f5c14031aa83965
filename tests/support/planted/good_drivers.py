"""Drivers without fault, of four kinds of dialect, with simulators: what the kit must pass.

The dialects are inventions of this test: a stirrer with a motor (asked, checksum), a scale (asked, no checksum), a
level gauge (streams binary frames measured by their beginning), a probe on a shared line (address in every line).
"""

import functools
import math
import operator
import re
from typing import ClassVar

from daq.core.driver import Channel, Driver, Identity, Port, Reject, Reply, Request, Values
from daq.core.errors import DriverError, SettingError
from daq.core.framing import Framing


def xor(data: bytes) -> int:
    return functools.reduce(operator.xor, data, 0)


def sealed(content: bytes) -> bytes:
    return content + b"*%02X" % xor(content)


class Stirrer(Driver):
    """Asked, one-byte checksum, a motor."""

    kind: ClassVar[str] = "stirrer"
    has_checksum: ClassVar[bool] = True
    channels = (Channel("speed", "/min", -600.0, 600.0), Channel("load", "%", 0.0, 100.0))
    framing = Framing(terminator=b"\r", longest=60)
    port = Port(baud=19_200)
    interval_ns = 500_000_000
    stale_after_ns = 4_000_000_000
    capabilities = frozenset({"speed", "halt"})
    on_link_loss = "stops"

    def __init__(self, options):
        super().__init__(options)
        for name in options:
            if name != "interval_ms":
                raise SettingError("unknown option; known: interval_ms", key=f"options.{name}")
        interval = options.get("interval_ms", 500)
        if not isinstance(interval, int) or isinstance(interval, bool) or not 10 <= interval <= 60_000:
            raise SettingError("must be a whole number of milliseconds from 10 to 60000", key="options.interval_ms")
        self.interval_ns = interval * 1_000_000
        self.stale_after_ns = 8 * self.interval_ns

    def line(self, text: bytes) -> bytes:
        return sealed(text) + b"\r"

    def identify(self):
        return Request(self.line(b"N?"), "identity")

    def poll(self):
        return Request(self.line(b"V?"), "reading", timeout_ns=200_000_000)

    def action(self, action, value=None):
        if action == "halt":
            return Request(self.line(b"H"), "halt")
        if action == "speed":
            if value is None or not abs(value) <= 600.0:
                raise DriverError("speed needs a value of at most 600")
            return Request(self.line(b"S%.1f" % value), "speed")
        return super().action(action, value)

    def decode(self, line, asked=None):
        content, mark, check = line.rpartition(b"*")
        if not mark or check != b"%02X" % xor(content):
            return Reject("wrong checksum")
        found = re.fullmatch(rb"V([+-]\d{1,3}\.\d),(\d{1,3}\.\d)", content)
        if found:
            return (float(found[1]), float(found[2]))
        if content == b"V--,--":
            return Values((None, None), (("", "blocked"),))
        found = re.fullmatch(rb"N([A-Z]\d{4})", content)
        if found:
            return Reply("identity", identity=Identity("stirrer", found[1].decode("ascii")))
        if content == b"HOK":
            return Reply("halt")
        found = re.fullmatch(rb"S(-?\d{1,3}\.\d)OK", content)
        if found:
            return Reply("speed", float(found[1]))
        return Reject("unknown line")


class StirrerInstrument:
    """Turns at the commanded speed; its load follows the speed."""

    def __init__(self):
        self.speed, self.number, self.kept = 0.0, 0, b""

    def advance(self, dt_s):
        del dt_s
        return b""

    def due_in_s(self):
        return None

    def receive(self, data):
        *lines, self.kept = (self.kept + data).split(b"\r")
        return b"".join(self.answer(line) for line in lines)

    def answer(self, line):
        content, _, check = line.rpartition(b"*")
        if check != b"%02X" % xor(content):
            return b""
        output = b"?"
        if content == b"N?":
            output = b"NK2094"
        elif content == b"V?":
            self.number += 1
            output = b"V%+.1f,%.1f" % (self.speed, 20.0 + 3.0 * math.sin(self.number))
        elif content == b"H":
            self.speed, output = 0.0, b"HOK"
        elif content[:1] == b"S":
            self.speed, output = float(content[1:]), content + b"OK"
        return sealed(output) + b"\r"


class Scale(Driver):
    """Asked, no checksum, two lines a reading are not needed."""

    kind: ClassVar[str] = "scale"
    channels = (Channel("mass", "g", -10.0, 4100.0),)
    framing = Framing(terminator=b"\r\n", longest=40)
    interval_ns = 1_000_000_000

    def __init__(self, options):
        super().__init__(options)
        if options:
            raise SettingError("the scale has no options", key=f"options.{min(options)}")

    def identify(self):
        return Request(b"NR\r\n", "identity")

    def poll(self):
        return Request(b"GW\r\n", "reading")

    def decode(self, line, asked=None):
        found = re.fullmatch(rb"([+-])\s{0,6}(\d{1,4}\.\d\d) g (ST|MV)", line)
        if found:
            value = float(found[2])
            return (-value if found[1] == b"-" else value,)
        found = re.fullmatch(rb"NR (\d{6})", line)
        if found:
            return Reply("identity", identity=Identity("scale", found[1].decode("ascii")))
        return Reject("unknown line")


SCALE_CAPTURE = """# daq capture 1
# port: /dev/ttyUSB0
    0.000000 > NR\\r\\n
    0.030000 < NR 204417\\r\\n
    1.000000 > GW\\r\\n
    1.045000 < +   12.30 g
    1.050000 < \\x20ST\\r\\n
    1.060000 = 12.30 g
    2.000000 > GW\\r\\n
    2.050000 < -    0.45 g ST\\r\\n
    2.060000 = -0.45 g
    3.000000 > GW\\r\\n
    3.050000 < + 2412.07 g MV\\r\\n
    3.060000 = 2412.07 g
    4.000000 > GW\\r\\n
    4.050000 < +  105.93 g ST\\r\\n
"""


def level_length(window: bytes) -> int:
    """0xA5, number of bytes that follow, the bytes, their exclusive or."""
    if window[0] != 0xA5:
        return -1
    if len(window) < 2:
        return 0
    size = window[1]
    if size != 4:
        return -1
    if len(window) < size + 3:
        return size + 3
    return size + 3 if xor(window[: size + 2]) == window[size + 2] else -1


class Level(Driver):
    """Streams binary frames."""

    kind: ClassVar[str] = "level"
    has_checksum: ClassVar[bool] = True
    channels = (Channel("level", "mm", 0.0, 5000.0), Channel("temperature", "Cel", -40.0, 85.0))
    framing = Framing(measure=level_length, longest=16)
    streams = True
    interval_ns = 200_000_000
    stale_after_ns = 2_000_000_000

    def __init__(self, options):
        super().__init__(options)
        if options:
            raise SettingError("the gauge has no options", key=f"options.{min(options)}")

    def decode(self, line, asked=None):
        if len(line) != 7 or level_length(line) != 7:
            return Reject("wrong checksum")
        return (
            int.from_bytes(line[2:4], "big") / 10.0,
            int.from_bytes(line[4:6], "big", signed=True) / 10.0,
        )


class LevelInstrument:
    def __init__(self):
        self.t, self.sent = 0.0, 0

    def advance(self, dt_s):
        self.t += dt_s
        out = b""
        while self.sent < int(self.t / 0.2 + 1e-9):
            self.sent += 1
            content = (
                b"\xa5\x04"
                + (12_000 + 37 * self.sent).to_bytes(2, "big")
                + (215 - self.sent).to_bytes(2, "big", signed=True)
            )
            out += content + bytes([xor(content)])
        return out

    def due_in_s(self):
        return (self.sent + 1) * 0.2 - self.t

    def receive(self, data):
        del data
        return b""


class Probe(Driver):
    """On a shared line: the address in every line, sum of bytes as its checksum."""

    kind: ClassVar[str] = "probe"
    has_checksum: ClassVar[bool] = True
    shares_line = True
    channels = (Channel("temperature", "Cel", -50.0, 150.0), Channel("humidity", "%", 0.0, 100.0))
    framing = Framing(terminator=b"\n", longest=40)
    interval_ns = 2_000_000_000
    stale_after_ns = 20_000_000_000

    def __init__(self, options):
        super().__init__(options)
        for name in options:
            if name != "address":
                raise SettingError("unknown option; known: address", key=f"options.{name}")
        address = options.get("address", 1)
        if not isinstance(address, int) or isinstance(address, bool) or not 1 <= address <= 31:
            raise SettingError("must be a whole number from 1 to 31", key="options.address")
        self.address = b"%02d" % address

    def ask(self, what):
        content = b"@" + self.address + what
        return content + b"%02X\n" % (sum(content) % 256)

    def identify(self):
        return Request(self.ask(b"I"), "identity")

    def poll(self):
        return (Request(self.ask(b"T"), "reading"), Request(self.ask(b"H"), "reading"))

    def decode(self, line, asked=None):
        from daq.core.driver import Part

        content = line[:-2]
        if len(line) < 6 or line[-2:] != b"%02X" % (sum(content) % 256):
            return Reject("wrong checksum")
        if content[:3] != b"#" + self.address:
            return Reject("another address")
        found = re.fullmatch(rb"T([+-]\d{1,3}\.\d)", content[3:])
        if found:
            return Part(((0, float(found[1])),))
        found = re.fullmatch(rb"H(\d{1,3}\.\d)", content[3:])
        if found:
            return Part(((1, float(found[1])),))
        found = re.fullmatch(rb"I(\w{4,12})", content[3:])
        if found:
            return Reply("identity", identity=Identity("probe", found[1].decode("ascii")))
        return Reject("unknown line")


class ProbeInstrument:
    def __init__(self, address=1):
        self.address, self.count = b"%02d" % address, 0

    def advance(self, dt_s):
        del dt_s
        return b""

    def due_in_s(self):
        return None

    def receive(self, data):
        line = data.rstrip(b"\n")
        if line[:3] != b"@" + self.address or line[-2:] != b"%02X" % (sum(line[:-2]) % 256):
            return b""
        self.count += 1
        output = {b"I": b"IHT0042", b"T": b"T%+.1f" % (20 + self.count / 10), b"H": b"H%.1f" % (40 + self.count / 10)}
        content = b"#" + self.address + output[line[3:-2]]
        return content + b"%02X\n" % (sum(content) % 256)
