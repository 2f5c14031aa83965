"""Lines of invented instruments, each with a description that reads them wrongly, and the check of the kit that finds it.

The wrong description gives numbers without a fault; the right one of the same lines, where there is one, passes.
"""

import random
import tomllib
from dataclasses import dataclass
from typing import Any

from daq.descriptions.capture import Capture, Piece

RNG = random.Random(5)
VALUES = [RNG.uniform(-900, 900) for _ in range(14)]
SIZES = [abs(value) for value in VALUES]
EFFLUX = ("efflux", "s", 0, 1000)
GRAMS = ("mass", "g", -1000, 1000)


@dataclass(frozen=True)
class Misread:
    """Lines, the wrong tables and the right ones ("" for none), and the check that finds the wrong ones."""

    name: str
    check: str
    lines: list[bytes]
    wrong: str
    right: str = ""
    channel: tuple[Any, ...] = GRAMS
    identity: bytes = b""

    def tables(self, own: str) -> dict[str, Any]:
        """Return the tables of a description; `own` is the pattern of its reading, with further keys behind a newline."""
        name, unit, low, high = self.channel
        pattern, _, more = own.partition("\n")
        return tomllib.loads(f"""
format = 1
kind = "misread"
{'identify = "who"' if self.identity else ""}
[[channel]]
name = "{name}"
unit = "{unit}"
low = {low}
high = {high}
[framing]
longest_pause = "200 ms"
[poll]
requests = ["read"]
interval = "500 ms"
[request.read]
send = "V?"
{"[request.who]" + chr(10) + 'send = "I?"' if self.identity else ""}
[line.value]
says = "reading"
pattern = '{pattern}'
{more}
""")

    @property
    def capture(self) -> Capture:
        """The lines as answers to `V?`, and the identity as the answer to `I?`."""
        pieces: list[Piece] = []
        for t, line in enumerate([*([self.identity] if self.identity else []), *self.lines]):
            request = b"I?\r\n" if self.identity and t == 0 else b"V?\r\n"
            pieces += [Piece(t * 500_000_000, ">", request), Piece(t * 500_000_000 + 9_000_000, "<", line + b"\r\n")]
        return Capture(pieces)


def _chosen(*texts: bytes) -> list[bytes]:
    return [RNG.choice(texts) for _ in VALUES[len(texts) :]] + [*texts]


STATES = list(zip(VALUES, _chosen(b"OK", b"OVL"), strict=True))
IDENTITY = '\n[line.identity]\nsays = "identity"\npattern = "I SN={serial:word} FS={full_scale:number} mN.m"\n'

MISREAD = [
    Misread("exponent", "whole numbers", [b"M %.3e" % v for v in VALUES], "M {mass:number}e{:text}", "M {mass:scientific}"),
    Misread("exponent that is whole", "whole numbers", [b"M %.3E" % v for v in VALUES], "M {mass:number}E{:whole}"),
    Misread("minutes before seconds", "whole numbers", [b"T %d:%04.1f" % divmod(v, 60) for v in SIZES],
            "T {:whole}:{efflux:number}", "", EFFLUX),
    Misread("minutes of two digits", "whole numbers", [b"%02d:%02d s" % divmod(v, 60) for v in SIZES],
            "{:whole}:{efflux:whole} s", "", EFFLUX),
    Misread("hours before minutes", "whole numbers", [b"T %d h %02d min" % divmod(v, 60) for v in SIZES],
            "T {:whole} h {efflux:whole} min", "", ("efflux", "min", 0, 60)),
    Misread("factor", "whole numbers", [b"M %.2f x%d" % (v / 100, RNG.choice((1, 10, 100))) for v in SIZES],
            "M {mass:number} x{:whole}"),
    Misread("power of ten", "whole numbers", [b"M %.2f 10^%d" % (v / 100, RNG.choice((1, 2, 3))) for v in SIZES],
            "M {mass:number} 10^{:whole}"),
    Misread("sign before blanks", "whole numbers", [b"M %s %07.2f" % (b"+-"[v < 0 :][:1], abs(v)) for v in VALUES],
            "M {:word} {mass:number}", "M {mass:padded}"),
    Misread("fraction", "whole numbers", [b"M %+07.2f" % v for v in VALUES], "M {mass:whole}.{:whole}", "M {mass:number}"),
    Misread("fraction of a comma", "whole numbers", [(b"%+.2f" % v).replace(b".", b",") for v in VALUES],
            "{mass:whole},{:whole}", '{mass:number}\nfields.mass.decimal = "comma"'),
    Misread("digits before the mark", "whole numbers", [b"M 1.%03d g" % v for v in SIZES], "M {:whole}.{mass:whole} g",
            "M {mass:number} g"),
    Misread("marks between thousands", "whole numbers", [b"999 g", b"1.204 g", b"3.100 g", b"12 g", b"871 g"] * 2,
            "{mass:number} g"),
    Misread("prefix", "unread", [b"R %.3f %s" % p for p in zip(SIZES, _chosen(b"k", b"M", b"-"), strict=True)],
            "R {ohms:number} {:word}",
            'R {ohms:number} {scale:word}\nfields.scale = { units = { k = "kOhm", M = "1000 kOhm", "-" = "Ohm" }, '
            'unit_of = ["ohms"] }', ("ohms", "Ohm", 0, 1e9)),
    Misread("unit before a colon", "unread", [b"G:%.2f" % v for v in VALUES] + [b"KG:0.%03d" % v for v in SIZES],
            "{:word}:{mass:number}",
            '{unit:word}:{mass:number}\nfields.unit = { units = { G = "g", KG = "kg" }, unit_of = ["mass"] }'),
    Misread("state", "unread", [b"M %+.2f g %s" % p for p in STATES], "M {mass:number} g {:word}",
            'M {mass:number} g {state:word}\nfields.state.means = { OK = "", OVL = "mass: over_range" }'),
    Misread("state of letters", "unread", [b"M %+.2f g %s" % p for p in STATES], "M {mass:number} g {:letters}"),
    Misread("rest of the line", "unread", [b"M %+.2f g %s" % p for p in STATES], "M {mass:number} g{:rest}"),
    Misread("bits", "unread", [b"M %+.2f g %s" % p for p in zip(VALUES, _chosen(b"00", b"80", b"10"), strict=True)],
            "M {mass:number} g {:hex 2}",
            'M {mass:number} g {bits:hex 2}\nfields.bits.bits = { "16" = "unsteady", "128" = "mass: over_range" }'),
    Misread("net and gross", "unread", [b"%s %+.2f g" % (s, v) for v, s in zip(VALUES, _chosen(b"NET", b"GRS"), strict=True)],
            "{:word} {mass:number} g"),
    Misread("parentheses", "unread", [(b"(%.2f) g" if v < 0 else b"%.2f g") % abs(v) for v in VALUES],
            "[(]{mass:number}[)] g",
            '{mass:number} g\n[line.below]\nsays = "reading"\npattern = "({mass:number}) g"\nfields.mass.scale = -1.0'),
    Misread("negative numbers without sign", "channels", [b"M %04X" % (int(v * 10) & 0xFFFF) for v in SIZES],
            "M {mass:hex 4}\nfields.mass.scale = 0.1", "M {mass:hex 4}\nfields.mass = { scale = 0.1, signed_bits = 16 }"),
    Misread("full scale in another unit", "full scale", [b"%.2f" % v for v in SIZES], "{torque:number}" + IDENTITY
            + 'fields.full_scale.fact = "full_scale_uN_m"',
            "{torque:number}" + IDENTITY + 'fields.full_scale = { fact = "full_scale_uN_m", scale = 1000.0 }',
            ("torque", "%", -1000, 1000), b"I SN=F12 FS=0.7187 mN.m"),
]  # fmt: skip
