"""The fast path decodes every line as the full decoder does: drawn descriptions, their lines, and each byte damaged.

The full decoder is the reference.  The descriptions combine everything that decides on a fast path: fields of fixed width,
states, texts in place of numbers, split numbers, kinds of lines that share their beginning, answers bound to a request,
checksums of every form, frames of bytes.
"""

import random

import pytest

from daq.core.driver import Reject
from daq.core.errors import SettingError
from daq.descriptions.compose import Composer
from daq.descriptions.load import check_description
from daq.testing.talk import requests_of

CHANNELS = [
    {"name": "mass", "unit": "g", "low": -1e6, "high": 1e6},
    {"name": "temperature", "unit": "Cel", "low": -1e3, "high": 1e3},
]
SPLIT = {"word": {"over": "0", "range": "2-1", "ignored": "7-3"}}
PARTS = {"over": {"means": {"0": "", "1": "probe"}}, "range": {"means": {"0": "", "1": "", "2": "over_range"}}}
TEXTS = {"OK": "", "O": "", "E": "probe", " G": "", "S ": "", "a,b": "", "": ""}


def number(rng, types):
    kind, table = rng.choice(types), {}
    if kind.startswith("hex") and rng.random() < 0.5:
        table["signed_bits"] = 16
    if rng.random() < 0.3:
        table["scale"] = rng.choice((0.1, -2.0))
    if rng.random() < 0.3:
        table["offset"] = 1.5
    if rng.random() < 0.3:
        table["special"] = {
            rng.choice(("---", "-999", "0", "nan", "255", "-0", "  255", " -0.00", "- 999", " ---")): "probe"
        }
    return kind, table


def state(rng, types):
    kind, table = rng.choice(types), {}
    if kind.startswith(("whole", "hex", "u", "i")):
        bits = rng.random() < 0.5
        table = (
            {"bits": {"1": "probe", "2": ""}}
            if bits
            else {"means": {"0": "", "1": "probe", "01": "", "03": "", "2.5": ""}}
        )
    else:
        table["means"] = {text: fault for text, fault in TEXTS.items() if rng.random() < 0.6} or {"OK": ""}
        table["each_letter"] = rng.random() < 0.2
    return kind, table | ({"others": rng.choice(("ignored", "probe"))} if rng.random() < 0.3 else {})


def line_of(rng, channels, in_bytes):
    if in_bytes:
        types = ["u8", "i8", "u16be", "i16le", "u24be", "i24le", "f32be", "f64le", "bcd 2", "u64be"]
        states, splits, others = ["u8", "u16le"], ["u8"], ["any 1"]
        opening, between, ending, form = rng.choice(("24 55 ", "24 56 ", "24 55 01 ")), " ", "", "bytes"
    else:
        types = ["number", "padded", "whole", "scientific", "nr2", "hex", "number 8", "whole 8", "hex 8"]
        states, splits, others = (
            ["letters", "letters 3", "word", "whole", "hex 3", "text 3"],
            ["whole", "hex 4"],
            ["word"],
        )
        opening, between = rng.choice(("", "$", "$A", "A")), rng.choice((",", ";", " "))
        ending, form = rng.choice(("", " g")), "pattern"
    several = rng.random() < 0.15
    fields, parts, split = {}, [], {}
    for reading in range(1, 3 if several else 2):
        for channel in channels:
            name = f"{channel['name']}{reading}"
            kind, own = number(rng, types)
            fields[name] = own | {"channel": channel["name"]} | ({"reading": reading} if several else {})
            parts.append((name, kind))
    if rng.random() < 0.5:
        kind, fields["state"] = state(rng, states)
        parts.insert(rng.randrange(len(parts) + 1), ("state", kind))
    if rng.random() < 0.25:
        parts.append(("word", rng.choice(splits)))
        fields |= PARTS
        split = {"split": SPLIT}
    if rng.random() < 0.2:
        parts.append(("", rng.choice(others)))
    written = [f"{{{name}:{kind}}}" for name, kind in parts]
    return {"says": "reading", form: opening + between.join(written) + ending, "fields": fields} | split


def checksum(rng, in_bytes):
    table = {"name": rng.choice(("xor", "sum", "crc-16/modbus", "crc-32"))}
    table["written"] = rng.choice(("hex", "decimal", *(("big_endian", "little_endian") if in_bytes else ())))
    if table["written"] == "hex":
        table |= {"letters": rng.choice(("upper", "lower", "either")), "low_first": rng.random() < 0.3}
    table |= {"mark": rng.choice(("", "*")), "behind": rng.choice(("", ";"))}
    place = rng.random()
    if place < 0.2:
        table["skip"] = 1
    elif place < 0.4:
        table["after"] = "$"
    elif place < 0.6 and table["mark"]:
        table["covers_mark"] = True
    return table


def drawn(rng):
    in_bytes, channels = rng.random() < 0.4, CHANNELS[: rng.choice((1, 2))]
    tables = {"format": 1, "kind": "made", "channel": channels, "stream": {}, "line": {}}
    if rng.random() < 0.6:
        tables["checksum"] = checksum(rng, in_bytes)
    tables["framing"] = {"silence": "5 ms"} if in_bytes else {"begin": rng.choice(("", "\x02"))}
    if not in_bytes and rng.random() < 0.2:
        tables["line"]["error"] = {
            "says": "status", "pattern": rng.choice(("{state:whole}", "${state:word}")),
            "fields": {"state": {"means": {"1": "probe"}, "others": "ignored"}},
        }  # fmt: skip
    for i in range(rng.choice((1, 2, 3))):
        tables["line"][f"line{i}"] = line_of(rng, channels, in_bytes)
    if rng.random() < 0.3:
        del tables["stream"]
        tables["poll"] = {"requests": ["read"]}
        tables["request"] = {"read": {"send": "R", "answers": [next(iter(tables["line"]))]}}
    return tables


def lines_of(rng, driver):
    """Composed lines without the marks that the framing removes."""
    composer, begin = Composer(driver), driver.tables.framing.begin.encode()
    for name in driver.readers:
        for _ in range(2):
            values = {c.name: rng.choice((0.0, -1.0, 999.0, round(rng.uniform(-99, 99), 2))) for c in driver.channels}
            try:
                line = composer.line(name, values)
            except SettingError:
                continue  # the value does not fit
            yield line.removeprefix(begin).removesuffix(
                b"\r\n" if "bytes" not in driver.tables.line[name].layout else b""
            )


def damaged(rng, line):
    """The line, and each of its bytes replaced, doubled, lost, or with another one before it."""
    yield line
    for at in range(len(line) + 1):
        other = bytes([rng.choice((*b"0123456789-+., EeOKx_$*", rng.randrange(256)))])
        yield line[:at] + other + line[at:]
        yield line[:at] + other + line[at + 1 :]
        yield line[:at] + line[at + 1 :]


@pytest.mark.parametrize("examples", [30, pytest.param(250, marks=pytest.mark.slow)])
def test_the_fast_path_reads_every_line_as_the_full_decoder(examples):
    rng = random.Random("fast paths")
    fast = read = 0
    for _ in range(examples):
        tables = drawn(rng)
        try:
            driver = check_description(tables).driver()
        except SettingError:
            continue
        fast += "decode" in vars(driver)
        for line in lines_of(rng, driver):
            for one in damaged(rng, line):
                for broken in (one, driver.resealed(one)):
                    for asked in (None, *requests_of(driver)):
                        full = driver._decode_any(broken, asked)
                        # As texts, because NaN is not equal to itself.
                        assert repr(driver.decode(broken, asked)) == repr(full), (tables, broken)
                        read += not isinstance(full, Reject)
    assert fast > examples // 5
    assert read > 20 * examples


def made(line, **more):
    tables = {"format": 1, "kind": "made", "channel": CHANNELS[:1], "stream": {}, "line": line} | more
    if "poll" in more:
        del tables["stream"]
    return check_description(tables).driver()


def test_an_earlier_kind_of_line_takes_the_lines_of_both():
    both = {
        "grams": {"says": "reading", "pattern": "{mass:number 5}"},
        "kilograms": {"says": "reading", "pattern": "{mass:number}", "fields": {"mass": {"unit": "kg"}}},
    }
    assert made(both).decode(b"12.50") == (12.5,)
    assert made(both).decode(b"1.5") == (1500.0,)


def test_a_line_that_answers_its_request_is_none_of_the_unasked_ones():
    driver = made(
        {
            "asked": {"says": "reading", "pattern": "{mass:number}", "fields": {"mass": {"unit": "kg"}}},
            "free": {"says": "reading", "pattern": "{mass:number}"},
        },
        poll={"requests": ["read"]},
        request={"read": {"send": "R", "answers": ["asked"]}},
    )
    assert driver.decode(b"5", driver.poll()) == (5000.0,)
    assert driver.decode(b"5") == (5.0,)


@pytest.mark.parametrize("kind", ["hex", "whole"])
def test_characters_that_are_no_digits_of_a_split_number_refuse_the_line(kind):
    line = {"says": "reading", "pattern": f"{{word:{kind} 4}} {{mass:number}}", "split": SPLIT, "fields": PARTS}
    driver = made({"it": line})
    assert driver.decode(b"  08 1.5") == (1.5,)
    for text in (b"    ", b"1 _0", b"1_0 ", b"0x10", b"0b10", b" +_1", b"\xb2   "):
        assert isinstance(driver.decode(text + b" 1.5"), Reject), text


def test_the_text_of_a_state_in_a_frame_comes_before_its_number():
    means = {"0": "", "1": "probe", "01": "", "2.5": ""}
    frame = {"says": "reading", "bytes": "AA 55 {mass:u16be} {state:u8}"}
    whole = made({"it": frame | {"fields": {"state": {"means": means}}}})
    split = made({"it": frame | {"split": {"state": {"part": "3-0"}}, "fields": {"part": {"means": means}}}})
    for driver in (whole, split):
        assert driver.decode(b"\xaa\x55\x00\x05\x00") == (5.0,)
        assert driver.decode(b"\xaa\x55\x00\x05\x01").faults == (("", "probe"),)
        assert isinstance(driver.decode(b"\xaa\x55\x00\x05\x02"), Reject)


@pytest.mark.parametrize("written", ["hex", "decimal"])
def test_a_checksum_of_a_frame_is_digits(written):
    check = {"name": "sum", "written": written}
    driver = made(
        {"it": {"says": "reading", "bytes": "AA 55 {mass:u16be} {:any 1}"}}, checksum=check, framing={"silence": "5 ms"}
    )
    head = b"\xaa\x55\x01\x02\x00"
    for text in (b"-1", b"-01", b" -1", b"+2", b"+02", b"G1", b"\x00\x00", b"\x00\x00\x00", b"2_0"):
        assert isinstance(driver.decode(head + text), Reject), text
    good = {"hex": b"02", "decimal": b"002"}[written]
    assert driver.decode(head + good) == (258.0,)


def test_a_reading_whose_begin_is_lost_is_refused():
    block = {"name": "xor", "written": "big_endian", "mark": "\x03"}
    driver = made(
        {
            "name": {"says": "identity", "pattern": "S{serial:word}", "checksum": block},
            "it": {"says": "reading", "pattern": "{mass:number}"},
            "off": {"says": "status", "pattern": "?E{code:whole}", "fields": {"code": {"means": {"3": "probe"}}}},
        },
        framing={"begin": "\x02"},
    )
    whole = b"\x02112.5\r\n"
    assert driver.decode(whole) == (112.5,)
    assert driver.decode(b"?E3\r\n").faults == (("", "probe"),)
    for at in range(1, len(whole)):
        assert isinstance(driver.decode(whole[at:]), Reject), whole[at:]
