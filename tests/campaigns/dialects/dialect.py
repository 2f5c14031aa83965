"""Random dialects of instruments that send lines of text; everything is drawn from a seed, and nothing is shared with the program."""

import random
from dataclasses import dataclass, field

#: Quantities: name, unit (UCUM), words of the unit in a line, greatest value, decimals.
QUANTITIES = [
    ("mass", "g", ["g", "G", ""], 620.0, 2),
    ("mass", "kg", ["kg", "KG", ""], 31.0, 4),
    ("temperature", "Cel", ["C", "degC", "\u00b0C", ""], 180.0, 1),
    ("density", "g/mL", ["g/cm3", "g/mL", ""], 3.0, 4),
    ("pressure", "kPa", ["kPa", ""], 250.0, 2),
    ("level", "mm", ["mm", ""], 4000.0, 0),
    ("voltage", "mV", ["mV", ""], 900.0, 2),
    ("ph", "[pH]", ["pH", ""], 14.0, 2),
    ("conductivity", "uS/cm", ["uS/cm", "us/cm", ""], 2000.0, 1),
    ("flow", "mL/min", ["ml/min", "mL/min", ""], 300.0, 2),
    ("moisture", "%", ["%", ""], 100.0, 2),
    ("speed", "/min", ["rpm", "RPM", ""], 1500.0, 1),
]
TORQUE = ("torque", "%", ["%", ""], 100.0, 1)
SPEED = ("speed", "/min", ["rpm", "RPM", ""], 200.0, 2)
LABELS = {
    "mass": ["M", "W", "MASS"], "temperature": ["T", "TEMP"], "density": ["D", "DENS"], "pressure": ["P", "PR"],
    "level": ["L", "LEVEL"], "voltage": ["U", "V"], "ph": ["PH"], "conductivity": ["K", "COND"], "flow": ["Q", "FLOW"],
    "moisture": ["H", "MOIST"], "speed": ["N", "SPEED"], "torque": ["TQ", "TORQUE"],
}  # fmt: skip
SWITCHED = {"g": [("kg", "kg", 1000.0, 5), ("lb", "0.45359237 kg", 453.59237, 4)], "mm": [("m", "m", 1000.0, 3)]}
FAULTS = ["over_range", "probe", "sensor", "unsteady", "keys_used", "calibration_overdue"]
GONE = ("over_range", "probe", "sensor")
"""Faults in the place of a number."""


@dataclass
class Quantity:
    """A measured quantity as the dialect writes it."""

    name: str
    unit: str
    word: str
    high: float
    decimals: int
    signed: bool
    factor: float = 1.0
    """Factor of the number in the line to the unit: 0.1 for tenths."""
    instead: str = ""
    """Text in the place of the number, where there is none."""
    instead_fault: str = ""
    label: str = ""
    switched: tuple[str, str, float, int] | None = None
    """Another unit that the display can be switched to: word, unit, factor, decimals."""


@dataclass
class Check:
    """Checksum: kind, form and place."""

    kind: str
    written: str
    mark: str
    covers_mark: bool
    skip: int


@dataclass
class Dialect:
    """A dialect; see `drawn`."""

    seed: int
    binary: bool = False
    streams: bool = False
    end: str = "\r\n"
    sends_end: str = "\r\n"
    echo: bool = False
    request: str = "R"
    identity_request: str = ""
    identity: str = ""
    serial: str = ""
    full_scale: float | None = None
    scale_request: str = ""
    scale_line: str = ""
    quantities: list[Quantity] = field(default_factory=list)
    style: str = "labels"
    separator: str = " "
    comma: bool = False
    numbers: str = "plain"
    width: int = 0
    prefix: str = ""
    state: str = ""
    """``words``, ``bits``, ``digit``, or none."""
    states: dict[str, str] = field(default_factory=dict)
    bits: dict[int, str] = field(default_factory=dict)
    bits_width: int = 2
    counter: bool = False
    clock: bool = False
    check: Check | None = None
    envelope: bool = False
    block: bool = False
    header: bool = False
    error: str = ""
    interval_s: float = 1.0


def drawn(seed: int) -> Dialect:
    """Return the dialect of a seed."""
    r = random.Random(f"dialect {seed}")
    d = Dialect(seed)
    d.binary = r.random() < 0.08
    d.streams = r.random() < 0.4
    d.interval_s = r.choice((0.5, 1.0, 2.0))
    d.end = r.choice(("\r\n", "\r\n", "\r\n", "\r", "\n"))
    d.sends_end = r.choice((d.end, d.end, "\r"))
    d.echo = not d.streams and r.random() < 0.1
    d.request = r.choice(("R", "READ?", "M?", "P", "MEAS?", "01R", "#V", "GET"))
    d.block = r.random() < 0.12
    _layout(d, r)
    _quantities(d, r)
    _states(d, r)
    if r.random() < 0.7 and not d.block:
        _identity(d, r)
    d.check = None if d.block or r.random() < 0.45 else _check(d, r)
    d.envelope = d.check is not None and d.check.written in ("big_endian", "little_endian")
    if d.envelope:
        d.end = d.sends_end = "\r\n"
    d.counter = r.random() < 0.1
    d.clock = not d.block and r.random() < 0.12
    d.header = d.block and d.streams and r.random() < 0.5
    d.error = r.choice(("", "", "", "?E03", "ERR 4")) if not d.streams and not d.block else ""
    return d


def _layout(d: Dialect, r: random.Random) -> None:
    d.style = r.choice(("labels", "labels", "words", "columns", "columns"))
    d.comma = r.random() < 0.2
    d.separator = r.choice((";", " ") if d.comma else (",", ";", " ", "  ", " "))
    d.numbers = r.choice(("plain", "signed", "zeros", "padded"))
    d.width = r.choice((8, 9))
    d.prefix = r.choice(("", "", "$KS", "#01", "@", "ST"))
    if d.style == "labels" and d.separator == "  ":
        d.separator = " "


def _quantities(d: Dialect, r: random.Random) -> None:
    rotational = r.random() < 0.2
    kinds = [TORQUE, SPEED] if rotational else []
    names = {kind[0] for kind in kinds}
    for _ in range(r.choice((1, 1, 2, 3) if not d.block else (2, 3))):
        kind = r.choice([q for q in QUANTITIES if q[0] not in names])
        names.add(kind[0])
        kinds.append(kind)
    for name, unit, words, high, decimals in kinds[:4]:
        signed = name in ("temperature", "voltage", "torque") or r.random() < 0.2
        own = Quantity(name, unit, r.choice(words), high, decimals, signed)
        own.label = r.choice(LABELS[name])
        if not own.word and decimals and r.random() < 0.15:
            own.factor, own.decimals = 10.0**-decimals, 0
        if r.random() < 0.2:
            own.instead = r.choice(("-----", "OL", "----.--", "ERR"))
            own.instead_fault = r.choice(GONE)
        if own.word in SWITCHED and r.random() < 0.5:
            own.switched = r.choice(SWITCHED[own.word])
        d.quantities.append(own)


def _states(d: Dialect, r: random.Random) -> None:
    d.state = r.choice(("", "", "words", "bits", "digit")) if not d.block else ""
    if d.state == "words":
        texts = r.choice((["OK", "LO", "HI"], ["S", "D", "I"], ["ok", "er1", "er2"], ["GS", "GU", "GX"]))
        d.states = {texts[0]: ""} | {text: r.choice(FAULTS) for text in texts[1:]}
    elif d.state == "digit":
        d.states = {"0": "", "1": r.choice(FAULTS), "4": r.choice(FAULTS)}
    elif d.state == "bits":
        d.bits_width = r.choice((2, 4))
        places = r.sample(range(4 * d.bits_width), 4)
        d.bits = {place: r.choice(["", *FAULTS]) for place in places}


def _identity(d: Dialect, r: random.Random) -> None:
    d.identity_request = r.choice(("*IDN?", "ID?", "SN", "VER", "I"))
    d.serial = r.choice(("DG-0815", "204417", "K2094", "T-0310"))
    torque = d.quantities[0].name == "torque"
    d.full_scale = r.choice((1003.0, 7187.0, 57.49)) if torque and r.random() < 0.8 else None
    own = r.random() < 0.3
    scale = f" FS={d.full_scale:g}" + r.choice(("", " uN.m")) if d.full_scale is not None else ""
    d.identity = r.choice(
        ("GAUGE SN={0} FW=2.1", "Kiln Street Works,bench gauge,{0},1.02", "NR {0}", "KILN SCALE {0} V1.3")
    )
    d.identity = d.identity.format(d.serial)
    if d.full_scale is not None and own:
        d.scale_request, d.scale_line = "FS?", scale.strip()
    elif "," not in d.identity:
        d.identity += scale
    else:
        d.full_scale = None


def _check(d: Dialect, r: random.Random) -> Check:
    kind = r.choice(
        ("xor", "sum", "lrc", "ones", "mod100", "crc8", "crc8-31", "crc16-modbus", "crc16-x25", "crc16-xmodem", "crc32")
    )
    written = "decimal" if kind == "mod100" else r.choice(("hex", "hex", "hex", "hex lower", "bytes"))
    if written == "bytes":
        return Check(kind, r.choice(("big_endian", "little_endian")), "\x03", True, 0)
    return Check(kind, written, r.choice(("*", "#", "!", "")), r.random() < 0.2, r.choice((0, 0, 1)) if d.prefix else 0)
