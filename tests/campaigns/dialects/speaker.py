"""A simulated instrument that speaks a random dialect; it uses the standard library only and shares nothing with the program."""

import random
import struct
from dataclasses import dataclass, field
from functools import reduce
from operator import xor


@dataclass
class Emitted:
    """One reading as it was sent.

    Attributes:
        raw: its bytes.
        pieces: the elements of the line in order: element and text.
        values: true value of each quantity in its unit; None where there is none.
        faults: faults of the reading.
    """

    raw: bytes
    pieces: list
    values: dict
    faults: set = field(default_factory=set)


def crc(data, width, polynomial, initial, reflected, final):
    """CRC by bits (Williams, 1993)."""
    register, top = initial, 1 << width - 1
    for byte in data:
        bits = range(8) if reflected else range(7, -1, -1)
        for at in bits:
            bit = byte >> at & 1
            high = register >> width - 1 & 1
            register = (register << 1) & (1 << width) - 1
            if bit ^ high:
                register ^= polynomial
    if reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    del top
    return register ^ final


KINDS = {
    "xor": (1, lambda d: reduce(xor, d, 0)),
    "sum": (1, lambda d: sum(d) % 256),
    "lrc": (1, lambda d: -sum(d) % 256),
    "ones": (1, lambda d: 255 - sum(d) % 256),
    "mod100": (1, lambda d: sum(d) % 100),
    "crc8": (1, lambda d: crc(d, 8, 0x07, 0, False, 0)),
    "crc8-31": (1, lambda d: crc(d, 8, 0x31, 0, True, 0)),
    "crc16-modbus": (2, lambda d: crc(d, 16, 0x8005, 0xFFFF, True, 0)),
    "crc16-x25": (2, lambda d: crc(d, 16, 0x1021, 0xFFFF, True, 0xFFFF)),
    "crc16-xmodem": (2, lambda d: crc(d, 16, 0x1021, 0, False, 0)),
    "crc32": (4, lambda d: crc(d, 32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF)),
}


class Speaker:
    """The instrument: `receive`, `advance` and `due_in_s` as a simulator of the kit; `emitted` are the readings that it sent."""

    def __init__(self, dialect, seed):
        self.d, self.rng = dialect, random.Random(f"speaker {dialect.seed} {seed}")
        self.now, self.next = 0.0, dialect.interval_s
        self.emitted, self.number, self.held = [], 0, b""
        self.values = {q.name: self.rng.uniform(0.2, 0.9) * q.high for q in dialect.quantities}
        self.switched, self.instead, self.state, self.bits = False, "", "", 0

    # ---- the world

    def move(self):
        """Change values, states and units as a person does who makes a capture."""
        rng, d = self.rng, self.d
        for q in d.quantities:
            low = -0.5 * q.high if q.signed else 0.0
            if rng.random() < 0.8:
                self.values[q.name] = rng.choice((rng.uniform(low, q.high), rng.uniform(low, q.high) / 20))
        self.switched = rng.random() < 0.3
        self.instead = rng.choice([q.name for q in d.quantities if q.instead] or [""]) if rng.random() < 0.2 else ""
        self.state = rng.choice([*d.states]) if d.states and rng.random() < 0.5 else next(iter(d.states), "")
        self.bits = sum(1 << b for b in d.bits if rng.random() < 0.3) if rng.random() < 0.7 else 0

    # ---- the line

    def advance(self, dt_s):
        self.now += dt_s
        out = b""
        while self.d.streams and self.next <= self.now + 1e-9:
            self.next += self.d.interval_s
            out += self.reading()
        return out

    def due_in_s(self):
        return max(0.0, self.next - self.now) if self.d.streams else None

    def receive(self, data):
        self.held += data
        *requests, self.held = self.held.split(self.d.sends_end.encode())
        return b"".join(self.answer(request) for request in requests)

    def answer(self, request):
        d = self.d
        echo = request + d.sends_end.encode() if d.echo else b""
        if request == d.request.encode() and not d.streams:
            return echo + self.reading()
        if d.identity_request and request == d.identity_request.encode():
            return echo + self.sealed(d.identity)
        if d.scale_request and request == d.scale_request.encode():
            return echo + self.sealed(d.scale_line)
        return echo + (d.error.encode() + d.end.encode() if d.error else b"")

    def reading(self):
        if self.d.binary:
            return self.frame()
        self.number += 1
        pieces, values, faults = self.pieces()
        text = "".join(part for _, part in pieces)
        raw = self.sealed(text)
        self.emitted.append(Emitted(raw, pieces, values, faults))
        if self.d.header and self.number % 4 == 1:
            raw = b"Works 3" + self.d.end.encode() + raw
        return raw

    def frame(self):
        content = b"".join(struct.pack(">f", value) for value in self.values.values())
        framed = bytes([0xA5, 0x5A, len(content)]) + content
        return framed + struct.pack("<H", crc(framed, 16, 0x1021, 0, False, 0))

    def pieces(self):
        d = self.d
        groups, values, faults = [], {}, set()
        for q in d.quantities:
            group = self.quantity(q, values)
            groups.append(group)
        if d.state in ("words", "digit"):
            groups.append([("state", self.state)])
            faults.add(d.states[self.state])
        elif d.state == "bits":
            groups.append([("state", f"{self.bits:0{d.bits_width}X}")])
            faults |= {fault for bit, fault in d.bits.items() if self.bits >> bit & 1}
        if d.counter:
            groups.insert(0, [("counter", str(self.number))])
        if d.clock:
            seconds = int(self.now)
            groups.insert(0, [("clock", f"{9 + seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}")])
        between = d.end if d.block else d.separator
        if d.prefix and not d.block:
            groups.insert(0, [("", d.prefix)])
        if d.block and d.counter:
            groups[0] = [("", "No. "), *groups[0]]
        out = []
        for group in groups:
            out += [*([("", between)] if out else []), *group]
        return out, values, faults - {""}

    def quantity(self, q, values):
        d = self.d
        factor, decimals, word = q.factor, q.decimals, q.word
        if q.switched is not None and self.switched:
            word, _, factor, decimals = q.switched
        number = round(self.values[q.name] / factor, decimals)
        values[q.name] = number * factor
        text = f"{number:+.{decimals}f}" if d.numbers == "signed" else f"{number:.{decimals}f}"
        if float(text) == 0:
            text = text.replace("-", "+" if d.numbers == "signed" else "")
        if d.numbers == "zeros":
            text = f"{number:0{d.width}.{decimals}f}".replace("-0.", "-0.")
        if self.instead == q.name:
            text, values[q.name] = q.instead, None
        if d.comma and values[q.name] is not None:
            text = text.replace(".", ",")
        pad = ""
        if d.numbers == "padded" or d.block:
            pad = " " * max(0, d.width - len(text))
        label = q.label if d.style in ("labels", "words") or d.block else ""
        between = {"labels": "=", "words": " "}.get(d.style, "") if label and not d.block else " " if label else ""
        out = [("", label + between), ("", pad), (("value", q.name), text)]
        if word:
            out += [("", " " if d.style != "columns" or d.separator != " " else ""), (("unit", q.name), word)]
        return [(element, part) for element, part in out if part]

    def sealed(self, text):
        d = self.d
        data = text.encode("latin-1")
        check = d.check
        if check is None:
            return data + d.end.encode()
        size, of = KINDS[check.kind]
        mark = check.mark.encode("latin-1")
        covered = (data + mark if check.covers_mark else data)[check.skip :]
        value = of(covered)
        if check.written == "decimal":
            tail = b"%02d" % value
        elif check.written.startswith("hex"):
            tail = f"{value:0{2 * size}X}".encode()
            tail = tail.lower() if check.written == "hex lower" else tail
        else:
            tail = value.to_bytes(size, "big" if check.written == "big_endian" else "little")
        begin = b"\x02" if d.envelope else b""
        return begin + data + mark + tail + d.end.encode()
