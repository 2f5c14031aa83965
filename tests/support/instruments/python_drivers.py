"""Two built-in drivers written in Python; tests compare the drivers made from descriptions with them."""

import re
from binascii import crc_hqx
from collections.abc import Mapping
from typing import Any, ClassVar, Final

from daq.core.driver import Action, Channel, Decoded, Driver, Identity, Port, Reject, Reply, Request, Values
from daq.core.errors import DriverError, SettingError
from daq.core.framing import Framing

FLAG_FAULTS: Final = {"S": ("torque", "saturated"), "P": ("temperature", "probe"), "K": ("", "keys_used")}
COMMANDS: Final = frozenset({"speed", "turn", "halt", "zero", "bath", "stream"})
MILLISECOND: Final = 1_000_000
LARGEST: Final = 1e6
"""Limit of set-points; the comparison also refuses infinity and NaN."""
VALUES: Final = re.compile(rb"val ([+-]?\d{1,3}\.\d\d) ([+-]?\d{1,4}\.\d{3}) ([+-]?\d{1,3}\.\d{3}|---) (-|[A-Z]{1,8})")
#: A whole reading without flags: the bytes that the checksum covers, three values, the checksum.
USUAL: Final = re.compile(
    rb"(val ([+-]?\d{1,3}\.\d\d) ([+-]?\d{1,4}\.\d{3}) ([+-]?\d{1,3}\.\d{3}) -)#([0-9A-F]{4})"
).fullmatch
NUMBER: Final = re.compile(r"[+-]?\d{1,7}(\.\d{1,3})?")


def line(text: str) -> bytes:
    """Return `text` with its checksum and terminator, as it is sent."""
    raw = text.encode("ascii")
    return raw + b"#%04X\r\n" % crc_hqx(raw, 0)


class RotationalDriver(Driver):
    """Torque (% of full scale), confirmed speed (/min) and temperature (Cel) of a rotational instrument.

    Options:
        interval_ms: time between polls, 50 to 60000; default 100.
        mode: ``poll`` (default) or ``stream``, where the instrument sends every `interval_ms` without requests.
        direction: ``forward`` (default) or ``backward``: the direction in which the rotor turns.  Speed and torque count
            positive in that direction, for either sign on the line.
    """

    kind: ClassVar[str] = "rotational"
    has_checksum: ClassVar[bool] = True
    channels = (
        Channel("torque", "%", -110.0, 110.0),
        Channel("speed", "/min", -1000.0, 1000.0),
        Channel("temperature", "Cel", -50.0, 300.0),
    )
    framing = Framing(terminator=b"\r\n", longest=94)
    port = Port(baud=115_200)
    refresh_ns = 100 * MILLISECOND
    stale_after_ns = 3_000 * MILLISECOND
    capabilities = frozenset({"speed", "turn", "halt", "zero", "bath"})
    zero_condition = "motor at rest, rotor hanging free in air, nothing touching it"
    on_link_loss = "keeps_turning"

    def __init__(self, options: Mapping[str, Any]) -> None:
        super().__init__(options)
        unknown = sorted(set(options) - {"interval_ms", "mode", "direction"})
        if unknown:
            raise SettingError("unknown option; known: direction, interval_ms, mode", key=f"options.{unknown[0]}")
        interval = options.get("interval_ms", 100)
        if not isinstance(interval, int) or isinstance(interval, bool) or not 50 <= interval <= 60_000:
            raise SettingError("must be a whole number of milliseconds from 50 to 60000", key="options.interval_ms")
        mode = options.get("mode", "poll")
        if mode not in ("poll", "stream"):
            raise SettingError("must be 'poll' or 'stream'", key="options.mode")
        direction = options.get("direction", "forward")
        if direction not in ("forward", "backward"):
            raise SettingError("must be 'forward' or 'backward'", key="options.direction")
        self._backward = direction == "backward"
        self.interval_ns = interval * MILLISECOND
        self.streams = mode == "stream"
        if self.streams:
            self.refresh_ns = 0
        self.stale_after_ns = max(type(self).stale_after_ns, 10 * self.interval_ns)

    def identify(self) -> Request:
        """Ask ``who``."""
        return Request(line("who"), "identity")

    def poll(self) -> Request | None:
        """Ask ``read``; return None if the instrument streams."""
        return None if self.streams else Request(line("read"), "reading", timeout_ns=300 * MILLISECOND)

    def start_stream(self) -> Request | None:
        """Ask the instrument to send values without requests."""
        return Request(line(f"stream {self.interval_ns // MILLISECOND}"), "stream") if self.streams else None

    def action(self, action: Action, value: float | None = None) -> Request:
        """Return the request of an action: ``speed`` (/min) and ``bath`` (Cel) need a value; ``turn``, ``halt`` and ``zero`` do not."""
        if action in ("speed", "bath"):
            if value is None or not abs(value) < LARGEST:
                raise DriverError(f"{action} needs a value of less than {LARGEST:g}")
            signed = -value if self._backward and action == "speed" else value
            return Request(line(f"{action} {signed:.3f}"), action)
        return Request(line(action), action)

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        """Decode a ``val`` line as a reading and an ``ok``, ``no`` or ``is`` line as a reply; reject any other line."""
        usual = USUAL(line)
        if usual is not None and not self._backward:
            covered, torque, speed, temperature, check = usual.groups()
            if int(check, 16) == crc_hqx(covered, 0):
                return float(torque), float(speed), float(temperature)
            return Reject("wrong checksum")
        content = line[:-5]
        if line[-5:] != b"#%04X" % crc_hqx(content, 0):
            return Reject("wrong checksum")
        if content[:4] == b"val ":
            found = VALUES.fullmatch(content)
            if found is None:
                return Reject("malformed values")
            torque, speed, temperature, flags = found.groups()
            if flags == b"-" and temperature != b"---":
                if self._backward:
                    return -float(torque), -float(speed), float(temperature)
                return float(torque), float(speed), float(temperature)
            faulty = _faulty(torque, speed, temperature, flags.decode("ascii"))
            return _sign_reversed(faulty) if self._backward else faulty
        return _reply(content)


def _faulty(torque: bytes, speed: bytes, temperature: bytes, flags: str) -> Values:
    probe_failed = "P" in flags or temperature == b"---"
    faults = [FLAG_FAULTS[f] for f in flags if f in FLAG_FAULTS and f != "P"]
    if probe_failed:
        faults.append(FLAG_FAULTS["P"])
    if "B" in flags:
        faults += [("torque", "blocked"), ("speed", "blocked")]
    values = (
        None if "S" in flags or "B" in flags else float(torque),
        None if "B" in flags else float(speed),
        None if probe_failed else float(temperature),
    )
    return Values(values, tuple(faults))


def _sign_reversed(found: Values) -> Values:
    """Return a reading of a rotor that turns backward, with torque and speed positive in its direction."""
    torque, speed, *rest = found.values
    return Values((None if torque is None else -torque, None if speed is None else -speed, *rest), found.faults)


def _reply(content: bytes) -> Decoded:
    words = content.decode("ascii", "replace").split(" ")
    if words[0] == "ok" and len(words) in (2, 3) and words[1] in COMMANDS:
        if len(words) == 2:
            return Reply(words[1])
        if NUMBER.fullmatch(words[2]) is None:
            return Reject("confirmed value is not a number")
        return Reply(words[1], float(words[2]))
    if content == b"no checksum":
        # Our line was damaged on its way: nothing was refused, and the request is repeated after its time-out.
        return Reject("instrument saw a wrong checksum")
    if words[0] == "no" and len(words) >= 2:
        return Reply("refused", refusal=" ".join(words[1:]))
    if words[0] == "is" and len(words) >= 3:
        pairs = dict(w.partition("=")[::2] for w in words[2:])
        serial, full_scale = pairs.get("serial", ""), pairs.get("fs", "")
        if not serial or NUMBER.fullmatch(full_scale) is None:
            return Reject("identity is incomplete")
        facts = {"full_scale_uN_m": float(full_scale)}
        return Reply("identity", identity=Identity(words[1], serial, pairs.get("firmware", ""), facts))
    return Reject("unknown line")


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
        """Ask ``id``."""
        return Request(b"id\r\n", "identity", timeout_ns=2_500_000_000)

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        """Decode a ``T`` line as one temperature and an ``I`` line as the identity; reject any other line."""
        content, mark, check = line.rpartition(b"*")
        if not mark:
            return Reject("no checksum")
        xor = 0
        for byte in content:
            xor ^= byte
        if b"%02X" % xor != check:
            return Reject("wrong checksum")
        found = READING.fullmatch(content)
        if found:
            if found[1] == b"---" or found[2] == b"open":
                return Values((None,), (("temperature", "probe"),))
            return (float(found[1]),)
        found = IDENTITY.fullmatch(content)
        if found:
            kind, serial, firmware = (part.decode("ascii") for part in found.groups())
            return Reply("identity", identity=Identity(kind, serial, firmware))
        return Reject("unknown line")
