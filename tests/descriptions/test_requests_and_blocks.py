"""Requests with fields, blocks of lines and lines that are left out; wrong files of all of them are refused by their key."""

import random
import re
import struct
import tomllib
from pathlib import Path

import pytest

from daq.core.driver import Reject
from daq.core.errors import DriverError, SettingErrors
from daq.core.frames import make_framer
from daq.descriptions import load
from daq.descriptions.compose import Composer
from daq.descriptions.load import check_description, load_description
from tests.support.dialects import instruments
from tests.support.dialects.instruments import WeighingTerminal

MASS = {"name": "mass", "unit": "g", "low": -1e6, "high": 1e6}


def bath(send, **command):
    form = "bytes" if command.pop("in_bytes", False) else "send"
    tables = {
        "format": 1, "kind": "bath", "channel": [MASS], "stream": {},
        "line": {"it": {"says": "reading", "pattern": "M{mass:number}"}, "ok": {"says": "confirmation", "pattern": "OK"}},
        "command": {"bath": {form: send, "answers": ["ok"], "low": -1000, "high": 1000} | command},
    }  # fmt: skip
    return check_description(tables).driver()


def whole(number, width, *, plus=False):
    """Digits with a sign and zeros, put together without a format."""
    digits = "".join(str(abs(number) // 10**i % 10) for i in reversed(range(max(1, len(str(abs(number)))))))
    sign = "-" if number < 0 else "+" if plus else ""
    return sign + digits.rjust(width - len(sign), "0")


#: Type in the template, width, scale, whether the command is bytes; the writer of a number in units of the scale.
WAYS = {
    "whole 6": lambda n: whole(n, 6).encode(),
    "+whole 6": lambda n: whole(n, 6, plus=True).encode(),
    "whole": lambda n: whole(n, 1).encode(),
    "hex 4": lambda n: struct.pack(">h", n).hex().upper().encode(),
    "i16be": lambda n: struct.pack(">h", n),
    "i16le": lambda n: struct.pack("<h", n),
    "i32le": lambda n: struct.pack("<i", n),
    "i24be": lambda n: struct.pack(">i", n)[1:],
    "f32be": lambda n: struct.pack(">f", n),
}


@pytest.mark.parametrize("kind", WAYS)
@pytest.mark.parametrize("scale", [1.0, 0.1, 0.5])
def test_a_value_is_sent_as_its_type_says_and_recognised_again(kind, scale):
    in_bytes = kind[0] in "if"
    send = f"A5 {{value as {kind}}} 5A" if in_bytes else f"W{{value as {kind}}};"
    driver = bath(send, in_bytes=in_bytes, scale=scale, decimals=0)
    composer, rng = Composer(driver), random.Random(kind)
    head, tail = (b"\xa5", b"\x5a\r\n") if in_bytes else (b"W", b";\r\n")
    for _ in range(60):
        number = rng.randrange(round(-900 / scale), round(900 / scale))
        request = driver.action("bath", number * scale)
        assert request.data == head + WAYS[kind](number) + tail, (number, request.data)
        assert composer.recognise(request.data).value == pytest.approx(number * scale)
    for value in (1000.6, -1000.6, 1e6, float("inf"), float("nan"), None):
        with pytest.raises(DriverError):
            driver.action("bath", value)


def test_a_value_with_decimals_has_its_sign_and_zeros():
    driver = bath("W{value as +number 8}", decimals=2)
    assert driver.action("bath", 25.0).data == b"W+0025.00\r\n"
    assert driver.action("bath", -3.125).data in (b"W-0003.12\r\n", b"W-0003.13\r\n")


def test_an_address_is_written_in_the_base_of_its_place():
    tables = {
        "format": 1, "kind": "shared", "channel": [MASS], "poll": {"requests": ["read"]}, "port": {"shared": True},
        "request": {"read": {"send": "@{address as hex 2}/{address as whole 3}/{address}"}},
        "line": {"it": {"says": "reading", "pattern": "{address as hex 2}:{mass:number}"}},
        "options": {"address": {"default": 1, "low": 1, "high": 255, "digits": 4}},
    }  # fmt: skip
    for address in (1, 7, 9, 10, 16, 99, 171, 254, 255):
        driver = check_description(tables).driver({"address": address})
        assert driver.poll().data == f"@{address:02X}/{whole(address, 3)}/{whole(address, 4)}\r\n".encode()
        assert driver.decode(f"{address:02X}:1.5".encode()) == (1.5,)
        assert isinstance(driver.decode(f"{address ^ 1:02X}:1.5".encode()), Reject)


def printed(seed):
    terminal = WeighingTerminal(seed)
    data = terminal.advance(60.0)
    return data, terminal.readings


@pytest.mark.parametrize("seeds", [3, pytest.param(20, marks=pytest.mark.slow)])
def test_a_block_of_lines_is_one_reading_however_it_is_cut_or_damaged(seeds):
    driver = load_description(f"{instruments.__file__.rpartition('/')[0]}/printer.toml").driver()
    for seed in range(seeds):
        data, true = printed(seed)
        rng = random.Random(seed)
        broken = data
        for _ in range(4):
            at = rng.randrange(len(broken))
            way = rng.choice(("cut", "line", "more"))
            if way == "cut":
                broken = broken[:at] + broken[at + rng.randrange(1, 60) :]
            elif way == "line":
                lines = broken.split(b"\r\n")
                del lines[rng.randrange(len(lines))]
                broken = b"\r\n".join(lines)
            else:
                broken = broken[:at] + rng.choice((b"\r\n", b"No. ", b"Gross ", rng.randbytes(4))) + broken[at:]
        for sent, everything in ((data, True), (broken, False)):
            results = []
            for size in (1, 7, len(sent)):
                framer = make_framer(driver.framing)
                got = [
                    driver.decode(f) for at in range(0, len(sent), size) for f in framer.feed(0, sent[at : at + size])
                ]
                results.append([one for one in got if type(one) is tuple])
            assert results[0] == results[1] == results[2]
            for row in results[0]:
                # Without a checksum a digit may be lost in a line; lines of two blocks are never one reading.
                assert any(sum(a == pytest.approx(b) for a, b in zip(row, one, strict=True)) >= 2 for one in true), row
            if everything:
                assert len(results[0]) == len(true)
                assert results[0] == [pytest.approx(one) for one in true]


def test_a_block_that_is_cut_off_costs_no_other_block():
    driver = load_description(f"{instruments.__file__.rpartition('/')[0]}/printer.toml").driver()
    terminal = WeighingTerminal(5)
    terminal.number = 1  # without a header between the blocks
    blocks = [terminal.tick() for _ in range(2)]
    for at in range(1, len(blocks[0])):
        framer = make_framer(driver.framing)
        got = [driver.decode(f) for f in framer.feed(0, blocks[0][:at] + blocks[1])]
        assert got[-1] == pytest.approx(terminal.readings[1]), at
        assert all(isinstance(one, Reject) for one in got[:-1])


def test_lines_that_are_left_out_are_no_readings_and_no_faults():
    tables = {
        "format": 1, "kind": "small", "channel": [MASS], "stream": {}, "ignore": ["Date", "#"],
        "line": {"it": {"says": "reading", "pattern": "{mass:number} g"}},
    }  # fmt: skip
    driver = check_description(tables).driver()
    assert driver.decode(b"1.5 g") == (1.5,)
    for line in (b"Date 2031-01-01", b"# 1.5 g", b"Date1.5 g"):
        assert driver.decode(line).reason.startswith("ignored")
    assert driver.decode(b"Dat 1") == Reject("unknown line")


def test_a_block_that_was_cut_off_is_not_completed_with_lines_of_a_later_one():
    driver = load_description(f"{instruments.__file__.rpartition('/')[0]}/printer.toml").driver()
    lines = [line + b"\r\n" for line in printed(1)[0].split(b"\r\n")]
    at = next(i for i, line in enumerate(lines) if line.startswith(b"No. "))
    block, second = lines[at : at + 4], 1_000_000_000
    for kept in range(1, 4):
        for pause, read in ((second, 1), (3 * second, 0)):
            framer = make_framer(driver.framing)
            frames = framer.feed(0, b"".join(block[:kept])) + framer.feed(pause, b"".join(block[kept:]))
            assert sum(type(driver.decode(frame)) is tuple for frame in frames) == read


SMALL = {
    "format": 1, "kind": "small", "channel": [MASS], "poll": {"requests": ["read"]}, "request": {"read": {"send": "R"}},
    "line": {"it": {"says": "reading", "pattern": "M{mass:number}"}},
    "options": {"address": {"default": 7, "low": 1, "high": 999}, "name": {"default": "x"}},
}  # fmt: skip
STX = {"begin": "\x02"}
RAW = {"name": "xor", "written": "big_endian", "mark": "\x03"}
WRONG = [
    ({"framing": {"lines": 3}}, "framing.lines", "needs framing.begin"),
    ({"framing": {"lines": 3, "begin": "N", "ends": ["\r", "\n"]}}, "framing.ends", "need one end"),
    ({"framing": {"lines": 3, "begin": "N"}}, "framing.idle", "with lines of a later block"),
    ({"framing": {"lines": 3, "begin": "N", "drop_first": True}}, "framing.drop_first", "is not needed"),
    *(
        ({"framing": {"longest_pause": "100 ms"} | other}, "framing.longest_pause", "is not needed")
        for other in ({"idle": "1 s"}, {"begin": "N"}, {"silence": "20 ms"})
    ),
    ({"checksum": RAW}, "checksum.written", "framing.begin"),
    ({"checksum": RAW | {"mark": ""}, "framing": STX}, "checksum.written", "the checksum's mark"),
    ({"checksum": RAW | {"mark": "\r\n"}, "framing": STX}, "checksum.mark", "contains the end"),
    ({"checksum": {"crc": {"width": 8, "polynomial": 0x107}}}, "checksum.crc.polynomial", "does not fit in 8 bits"),
    ({"checksum": {"name": "xor", "sum": {}}}, "checksum.sum", "one of name, crc and sum"),
    ({"checksum": {}}, "checksum.name", "one of name, crc and sum"),
    ({"checksum": {"sum": {"modulus": 65536}, "digits": 3}}, "checksum.digits", "needs 4 digits"),
    ({"checksum": {"name": "xor", "written": "decimal", "low_first": True}}, "checksum.low_first", "hexadecimal"),
    ({"checksum": {"name": "xor", "covers_after": True}}, "checksum.covers_after", "needs the text `after`"),
    ({"checksum": {"name": "xor", "after": "$", "skip": 1}}, "checksum.after", "leave out skip"),
    ({"checksum": {"name": "xor", "before": "$", "covers_mark": True}}, "checksum.before", "contradicts"),
    ({"port": {"wake_after": "3 s"}}, "port.wake", "is missing"),
    ({"port": {"wake": "x", "wake_after": "1 s", "wake_wait": "2 s"}}, "port.wake_wait", "must be below wake_after"),
    ({"ignore": ["M"]}, "ignore[0]", "would leave out lines of [line.it]"),
    ({"ignore": ["M1"]}, "ignore[0]", "would leave out lines of [line.it]"),
    ({"frame": {"length": "u8"}}, "line.it.bytes", "is missing"),
    ({"request": {"read": {}}}, "request.read.send", "is missing"),
    ({"request": {"read": {"send": "R", "bytes": "AA"}}}, "request.read.send", "leave one out"),
    ({"request": {"read": {"send": "{address as whole 2}"}}}, "request.read.send", "999 does not fit in 2 characters"),
    ({"request": {"read": {"bytes": "{address as u8}"}}}, "request.read.bytes", "999 does not fit in u8"),
    ({"request": {"read": {"send": "{name as whole 2}"}}}, "request.read.send", "the option name is a text"),
    ({"request": {"read": {"send": "{address as octal}"}}}, "request.read.send", "unknown type 'octal'"),
    ({"request": {"read": {"send": "{other as hex}"}}}, "request.read.send", "is no option"),
    ({"request": {"read": {"bytes": "AA {:length}"}}}, "request.read.bytes", "needs the table [frame]"),
    ({"identify": ["read", "read"]}, "identify", "no line has says = 'facts'"),
    ({"identify": ["read", "other"]}, "identify[1]", "there is no [request.other]"),
]


@pytest.mark.parametrize(("changes", "key", "reason"), WRONG, ids=lambda v: v if isinstance(v, str) else "")
def test_a_wrong_file_is_refused_by_its_key(changes, key, reason):
    with pytest.raises(SettingErrors) as caught:
        check_description(SMALL | changes)
    found = caught.value.errors
    assert any(e.key == key and reason in e.reason for e in found), [(e.key, e.reason) for e in found]


@pytest.mark.parametrize(
    ("command", "reason"),
    [
        ({"send": "W{value as hex 4}", "high": 1}, "needs low and high"),
        ({"send": "W{value as hex}", "low": -1, "high": 1}, "needs its number of digits"),
        ({"send": "W{value as hex 4}", "low": -1, "high": 40_000}, "does not fit in {value as hex}"),
        ({"send": "W{value as whole 3}", "low": -100, "high": 1}, "does not fit in {value as whole}"),
        ({"bytes": "{value as i8}", "low": -100, "high": 100, "scale": 0.5}, "does not fit in {value as i8}"),
        ({"bytes": "{value as ascii 8}"}, "a value is a number"),
    ],
)
def test_a_value_that_would_not_fit_is_refused_in_the_file(command, reason):
    line = SMALL["line"] | {"ok": {"says": "confirmation", "pattern": "OK"}}
    with pytest.raises(SettingErrors) as caught:
        check_description(SMALL | {"line": line, "command": {"bath": {"decimals": 0} | command}})
    assert any(reason in e.reason for e in caught.value.errors), [(e.key, e.reason) for e in caught.value.errors]


def test_the_examples_of_the_guide_are_valid():
    text = Path(load.__file__).with_name("README.md").read_text("utf-8")
    examples = [one for one in re.findall(r"```toml\n(.*?)```", text, re.DOTALL) if "[checksum]" in one]
    assert len(examples) == 2
    channels = [MASS | {"name": name} for name in ("density", "temperature")]
    for example in examples:
        tables = {"format": 1, "kind": "guide", "stream": {}, "channel": channels} | tomllib.loads(example)
        if "value" not in tables["line"]:
            tables["line"]["value"] = {"says": "reading", "pattern": "$D{density:number}/{temperature:number}"}
        assert check_description(tables).driver().has_checksum
