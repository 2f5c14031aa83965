"""Frames of bytes: a writer of this file makes them of any layout, the reader reads them; noise, cuts and damage give no value.

The writer puts numbers together from bits and computes CRCs with the public package `crc`; floats are those of `struct`.
"""

import random
import re
import struct
from fractions import Fraction

import pytest
from crc import Calculator, Crc16

from daq.core.driver import Identity, Reject, Reply, Several, Values
from daq.core.errors import SettingErrors
from daq.core.frames import make_framer
from daq.descriptions.compose import Composer
from daq.descriptions.load import check_description
from daq.descriptions.types import BINARY

QUICK, ALL = 40, 600
NUMBERS = [name for name, kind in BINARY.items() if kind.gives == "number" and name != "bcd"]
CRC = Calculator(Crc16.KERMIT)
SYNC = b"\xaa\x55"


def channel(name):
    return {"name": name, "unit": "1", "low": -1e99, "high": 1e99}


def frame_file(layout, channels, fields, **more):
    return {
        "format": 1, "kind": "made", "stream": {}, "channel": [channel(n) for n in channels],
        "checksum": {"name": "crc-16/kermit", "written": "little_endian"},
        "line": {"it": {"says": "reading", "bytes": layout, "fields": fields}},
    } | more  # fmt: skip


def sealed(content):
    return content + CRC.checksum(content).to_bytes(2, "little")


def number(rng, kind):
    """A number of a type, its bytes, put together from its bits."""
    if kind == "bcd":
        digits = "".join(rng.choice("0123456789") for _ in range(6))
        return int(digits), bytes(16 * int(a) + int(b) for a, b in zip(digits[::2], digits[1::2], strict=True))
    letter, size, order = re.fullmatch(r"([uisf])(\d+)(\w*)", kind).groups()
    size = int(size) // 8
    if letter == "f":
        raw = struct.pack(
            "<f" if size == 4 else "<d", rng.choice((0.0, -0.0, rng.gauss(0, 1e3), rng.uniform(-1e-9, 1e9)))
        )
        return struct.unpack("<f" if size == 4 else "<d", raw)[0], laid(raw, order)
    bits = rng.choice((0, 1, (1 << 8 * size) - 1, 1 << 8 * size - 1, rng.getrandbits(8 * size)))
    top = 1 << 8 * size - 1
    value = {"u": bits, "i": bits - 2 * top * (bits >= top), "s": (bits % top) * (-1 if bits >= top else 1)}[letter]
    return value, laid(bytes(bits >> 8 * i & 0xFF for i in range(size)), order)


def laid(low_first, order):
    """Bytes of a number, given with the lowest first, in the order of a type; places are computed for each byte."""
    size = len(low_first)
    high_word_first, high_byte_first = order in ("be", "lehw"), order in ("be", "belw")
    out = bytearray(size)
    for place, byte in enumerate(low_first):
        word, odd = divmod(place, 2)
        if size % 2:
            at = size - 1 - place if order == "be" else place
        else:
            at = 2 * (size // 2 - 1 - word if high_word_first else word) + (1 - odd if high_byte_first else odd)
        out[at] = byte
    return bytes(out)


def in_numbers(raw, kind):
    """The whole number in bytes of a type: the one whose bytes these are."""
    letter, size, order = re.fullmatch(r"([uis])(\d+)(\w*)", kind).groups()
    bits = sum(byte << 8 * laid(bytes(range(len(raw))), order)[at] for at, byte in enumerate(raw))
    top = 1 << int(size) - 1
    return {"u": bits, "i": bits - 2 * top * (bits >= top), "s": (bits % top) * (-1 if bits >= top else 1)}[letter]


def made(rng):
    """A layout with its description, and the function that makes one frame and its values."""
    kinds = [rng.choice((*NUMBERS, "bcd")) for _ in range(rng.randrange(1, 5))]
    if rng.random() < 0.3:
        kinds = [rng.choice(("u16be", "i32be", "f32be"))] * rng.randrange(1, 4)
    names = [f"c{i}" for i in range(len(kinds))]
    texts, order = ["AA 55"], []
    fields = {}
    for name, kind in zip(names, kinds, strict=True):
        if rng.random() < 0.2:
            texts.append(rng.choice(("{:any 2}", "01 FE")))
            order.append("any" if "any" in texts[-1] else b"\x01\xfe")
        texts.append(f"{{{name}:{kind}{' 3' if kind == 'bcd' else ''}}}")
        order.append((name, kind))
        if rng.random() < 0.5:
            fields[name] = {"scale": rng.choice((0.01, 0.5, -2.0)), "offset": rng.choice((0.0, 1.5))}
    if rng.random() < 0.6:
        texts.append("{state:u8}")
        order.append("state")
        fields["state"] = {"means": {"0": "", "2": "", "9": f"{names[0]}: probe"}}
    factor = {n: fields.get(n, {}).get("scale", 1.0) for n in names}
    addend = {n: fields.get(n, {}).get("offset", 0.0) for n in names}

    def frame(sync_inside=False):
        values, out = {}, SYNC
        for part in order:
            if part == "any":
                out += SYNC if sync_inside else rng.randbytes(2)
            elif part == "state":
                out += bytes([rng.choice((0, 2))])
            elif isinstance(part, bytes):
                out += part
            else:
                value, raw = number(rng, part[1])
                if sync_inside and not part[1].startswith("f") and part[1] != "bcd" and len(raw) >= 2:
                    raw = (SYNC * 4)[: len(raw)]
                    value = in_numbers(raw, part[1])
                values[part[0]] = float(Fraction(value) * Fraction(factor[part[0]]) + Fraction(addend[part[0]]))
                out += raw
        return sealed(out), tuple(values[n] for n in names)

    return frame_file(" ".join(texts), names, fields), frame


def close(got, wanted):
    return type(got) is tuple and got == pytest.approx(wanted, rel=1e-12, abs=1e-300)


@pytest.mark.parametrize("examples", [QUICK, pytest.param(ALL, marks=pytest.mark.slow)])
def test_a_frame_of_any_layout_is_read_as_written_and_every_damaged_bit_is_refused(examples):
    rng = random.Random("layouts")
    for _ in range(examples):
        tables, frame = made(rng)
        driver = check_description(tables).driver()
        for _ in range(4):
            data, values = frame()
            assert close(driver.decode(data), values), (tables["line"], data.hex(), values)
            assert close(driver._decode_any(data, None), values), "the fast path and the full decoder differ"
            assert str(driver.decode(data)).count("-0.0,") == 0
        for bit in range(8 * len(data)):
            broken = bytearray(data)
            broken[bit // 8] ^= 1 << bit % 8
            assert isinstance(driver.decode(bytes(broken)), Reject), (tables["line"], bytes(broken).hex())
        for at in range(len(data)):
            assert isinstance(driver.decode(data[:at]), Reject)
            assert isinstance(driver.decode(data + data[:at]), Reject) or not at
        if all(abs(v) < 1e9 for v in values):  # a double has not all whole numbers of 64 bits
            composed = Composer(driver).line("it", dict(zip([c.name for c in driver.channels], values, strict=True)))
            assert close(driver.decode(composed), values), (tables["line"], values)


@pytest.mark.parametrize("examples", [QUICK // 2, pytest.param(ALL // 3, marks=pytest.mark.slow)])
def test_a_stream_is_read_through_noise_cuts_and_sync_bytes_inside(examples):
    rng = random.Random("streams")
    for _ in range(examples):
        tables, frame = made(rng)
        driver = check_description(tables).driver()
        data, sent = b"", []
        for _ in range(12):
            way = rng.random()
            one, values = frame(sync_inside=way < 0.5)
            if way < 0.2:
                data += one[: rng.randrange(1, len(one))]  # cut at any byte
                continue
            if way < 0.5:
                data += rng.choice((SYNC, SYNC[:1], SYNC + b"\x01", rng.randbytes(rng.randrange(1, 40)), one[3:-1]))
            data += one
            sent.append(values)
        data += frame()[0]
        for size in (1, 3, len(data)):
            framer = make_framer(driver.framing)
            got = [driver.decode(f) for at in range(0, len(data), size) for f in framer.feed(0, data[at : at + size])]
            values = [one for one in got if type(one) is tuple]
            assert len(values) == len(sent) + 1, (tables["line"], data.hex())
            assert all(close(a, b) for a, b in zip(values, sent, strict=False))


@pytest.mark.parametrize(
    ("data", "fault"),
    [
        (struct.pack(">f", float("nan")), "not_a_number"), (struct.pack(">f", float("-inf")), None),
        (struct.pack(">f", float("inf")), "over_range"), (struct.pack(">f", -9999.0), "probe"),
        (struct.pack(">f", 9.9e37), "sensor"),
    ],
)  # fmt: skip
def test_what_is_no_number_is_refused_or_has_the_fault_that_is_named(data, fault):
    special = {"nan": "not_a_number", "inf": "over_range", "-9999": "probe", "9.9E37": "sensor"}
    driver = check_description(frame_file("AA 55 {it:f32be}", ["it"], {"it": {"special": special}})).driver()
    meaning = driver.decode(sealed(SYNC + data))
    assert meaning == (Values((None,), (("it", fault),)) if fault else Reject("unknown line")) or (
        not fault and isinstance(meaning, Reject)
    )
    plain = check_description(frame_file("AA 55 {it:f32be}", ["it"], {})).driver()
    if fault not in ("probe", "sensor"):
        assert isinstance(plain.decode(sealed(SYNC + data)), Reject)


@pytest.mark.parametrize("order", ["be", "le"])
@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("size", [32, 64])
def test_no_frame_gives_a_number_that_is_not_finite(order, count, size):
    names = [f"c{i}" for i in range(count)]
    layout = "AA 55 " + " ".join(f"{{{n}:f{size}{order}}}" for n in names)
    driver = check_description(frame_file(layout, names, {})).driver()
    code = ("<" if order == "le" else ">") + ("f" if size == 32 else "d")
    good = [1.5, -0.0, 3.0][:count]
    assert driver.decode(sealed(SYNC + b"".join(struct.pack(code, v) for v in good))) == tuple(good)
    for at in range(count):
        for bad in (float("nan"), float("inf"), float("-inf"), *((1e300, -1e200) if size == 64 else ())):
            row = [*good[:at], bad, *good[at + 1 :]]
            assert isinstance(driver.decode(sealed(SYNC + b"".join(struct.pack(code, v) for v in row))), Reject), row


def test_every_bit_of_a_split_number_has_its_own_meaning():
    fields = {
        "over": {"means": {"0": "", "1": "it: over_range"}}, "range": {"units": {"0": "g", "1": "kg", "2": "mg"}, "unit_of": ["it"]},
    }  # fmt: skip
    tables = frame_file("AA 55 {it:u16be} {state:u8}", ["it"], fields)
    tables["channel"][0] |= {"unit": "g", "low": 0, "high": 1e9}
    tables["line"]["it"]["split"] = {"state": {"over": "7", "range": "5-4", "ignored": "1-0"}}
    driver = check_description(tables).driver()
    for state in range(256):
        meaning = driver.decode(sealed(SYNC + b"\x00\x64" + bytes([state])))
        scale = {0: 1.0, 1: 1000.0, 2: 0.001}.get(state >> 4 & 3)
        if state & 0b0100_1100 or scale is None:
            assert isinstance(meaning, Reject), state
        elif state & 0x80:
            assert meaning == Values((None,), (("it", "over_range"),))
        else:
            assert meaning == pytest.approx((100 * scale,))


def test_a_text_of_any_length_is_found_by_the_length_before_it():
    tables = frame_file("AA 55 02 {it:u8}", ["it"], {})
    tables |= {"frame": {"length": "u16be", "adds": 2}, "identify": "who", "poll": {"requests": ["read"]}}
    del tables["stream"]
    tables["request"] = {"who": {"bytes": "AA 55 01 {:length} 07"}, "read": {"bytes": "AA 55 02"}}
    tables["line"]["id"] = {"says": "identity", "bytes": "AA 55 01 {:length} {serial:ascii}"}
    driver = check_description(tables).driver()
    framer = make_framer(driver.framing)
    assert driver.identify().data == b"\xaa\x55\x01" + b"\x00\x04" + b"\x07"
    for serial in ("S", "GX-1", "A long number 1234567"):
        size = 3 + 2 + len(serial) + 2 - 2
        data = sealed(SYNC + b"\x01" + size.to_bytes(2, "big") + serial.encode())
        (frame,) = framer.feed(0, b"\x01\xaa" + data)
        assert driver.decode(frame) == Reply("identity", identity=Identity("made", serial))
        assert Composer(driver).line("id", {"serial": serial}) == data


def test_several_samples_in_one_frame_are_several_readings():
    fields = {f"s{i}": {"channel": "it", "reading": i, "scale": 0.1} for i in (1, 2, 3, 4)}
    tables = frame_file("AA 55 {s1:i16be} {s2:i16be} {s3:i16be} {s4:i16be}", ["it"], fields)
    driver = check_description(tables).driver()
    meaning = driver.decode(sealed(SYNC + struct.pack(">4h", 10, -20, 30, 40)))
    assert meaning == Several(tuple((pytest.approx(v),) for v in (1.0, -2.0, 3.0, 4.0)))
    assert driver._decode_any(sealed(SYNC + struct.pack(">4h", 10, -20, 30, 40)), None) == meaning


@pytest.mark.parametrize(
    ("changes", "key", "reason"),
    [
        ({"bytes": "{it:u8} AA"}, "line.it.bytes", "must begin with fixed bytes"),
        ({"bytes": "AA 55 {it:u16}"}, "line.it.bytes", "unknown type 'u16'; did you mean 'u16"),
        ({"bytes": "AA 5 {it:u8}"}, "line.it.bytes", "two hexadecimal digits"),
        ({"bytes": "AA {:length} {it:u8}"}, "line.it.bytes", "needs the table [frame]"),
        ({"bytes": "AA {it:bcd}"}, "line.it.bytes", "bcd needs its number of bytes"),
        ({"bytes": "AA {it:u8 2}"}, "line.it.bytes", "u8 has a fixed size"),
        ({"bytes": "AA {:ascii} {it:u8}"}, "line.it.bytes", "needs {:length} before it"),
        ({"bytes": "AA {it:u8}", "checksum": "none"}, "line.it.bytes", "found anywhere in noise"),
        ({"bytes": "AA {it:u8} {again:u8}", "fields": {"again": {"channel": "it"}}}, "line.it.fields.again", "a second time"),
        ({"bytes": "AA {it:u8} {b:u8}", "split": {"b": {"x": "9"}}}, "line.it.split.b.x", "beyond the bits"),
        ({"bytes": "AA {it:u8} {b:u8}", "split": {"b": {"x": "3", "y": "3-0"}}}, "line.it.split.b.y", "in another part"),
        ({"bytes": "AA {it:u8} {b:u8}", "split": {"c": {"x": "3"}}}, "line.it.split.c", "no such field"),
        ({"bytes": "AA {it:u8}", "pattern": "x"}, "line.it", "needs either a pattern or columns, or bytes"),
        ({"bytes": "AA {it:u8} {b:u8}", "fields": {"b": {"channel": "it", "reading": 3}}}, "line.it.fields", "reading 2 must have"),
    ],
)  # fmt: skip
def test_a_wrong_layout_is_refused(changes, key, reason):
    tables = frame_file("AA {it:u8}", ["it"], {})
    tables["line"]["it"] |= changes
    with pytest.raises(SettingErrors) as caught:
        check_description(tables)
    assert any(e.key == key and reason in e.reason for e in caught.value.errors), [
        (e.key, e.reason) for e in caught.value.errors
    ]


@pytest.mark.parametrize("kind", [name for name in NUMBERS if name[0] in "sf"])
def test_a_negative_zero_means_a_fault_beside_a_true_zero(kind):
    """The sign alone: the highest bit of sign and magnitude, and the -0 of IEEE 754."""
    size = int(re.search(r"\d+", kind)[0]) // 8
    zero, minus = bytes(size), bytes([0x80]) + bytes(size - 1)
    order = {"le": lambda b: b[::-1], "belw": swapped_words, "lehw": lambda b: swapped_words(b)[::-1]}
    minus = order.get(re.sub(r".\d+", "", kind), bytes)(minus)
    tables = frame_file(f"AA 55 {{it:{kind}}}", ["it"], {"it": {"special": {"-0": "probe"}}})
    d = check_description(tables).driver()
    assert str(d.decode(sealed(SYNC + zero))) == "(0.0,)"
    assert d.decode(sealed(SYNC + minus)) == Values((None,), (("it", "probe"),))
    del tables["line"]["it"]["fields"]["it"]
    assert str(check_description(tables).driver().decode(sealed(SYNC + minus))) == "(0.0,)"
    tables["line"]["it"]["fields"]["it"] = {"special": {"0": "sensor", "-0": "probe"}}
    d = check_description(tables).driver()
    assert d.decode(sealed(SYNC + zero)) == Values((None,), (("it", "sensor"),))
    assert d.decode(sealed(SYNC + minus)) == Values((None,), (("it", "probe"),))


def swapped_words(raw):
    """The low word first, each with its high byte first."""
    return b"".join(raw[i : i + 2] for i in range(len(raw) - 2, -1, -2))


@pytest.mark.parametrize("kind", [name for name in NUMBERS if name[0] in "ui"])
def test_a_negative_zero_of_a_type_without_one_is_refused(kind):
    with pytest.raises(SettingErrors, match="has no negative zero"):
        check_description(frame_file(f"AA 55 {{it:{kind}}}", ["it"], {"it": {"special": {"-0": "probe"}}}))


@pytest.mark.parametrize("entry", ["-0", "-0.0", " -0"])
@pytest.mark.parametrize("bits", ["7-0", "6-2", "7-0 signed"])
@pytest.mark.parametrize("kind", ["u8", "u16le"])
def test_a_negative_zero_of_a_part_of_a_number_is_refused(kind, bits, entry):
    """The part has no sign, or it is in two's complement: the instrument never sends it."""
    tables = frame_file(f"AA 55 {{word:{kind}}}", ["it"], {"it": {"special": {entry: "probe"}}})
    tables["line"]["it"]["split"] = {"word": {"it": bits}}
    with pytest.raises(SettingErrors, match="has no negative zero") as caught:
        check_description(tables)
    assert [error.key for error in caught.value.errors] == [f"line.it.fields.it.special.{entry}"]


@pytest.mark.parametrize("says", ["reading", "status"])
@pytest.mark.parametrize(
    "place", ["u8", "i16be", "s16be", "f32be", "bits", "number", "padded", "whole 8", "scientific"]
)
@pytest.mark.parametrize("entry", ["-0", "-0.0"])
def test_a_negative_zero_as_a_state_is_refused(says, place, entry):
    """As a number it is 0, whose meaning a state gives: the fault would be lost, or a true 0 would have it."""
    fields = {"state": {"means": {"0": "", entry: "probe"}}}
    if place in BINARY or place == "bits":
        tables = frame_file("AA 55 {it:u8}", ["it"], {})
        field = "{word:u8}" if place == "bits" else f"{{state:{place}}}"
        layout = {"bytes": f"AA 56 {field}" + (" {it:u8}" if says == "reading" else "")}
        layout |= {"split": {"word": {"state": "3-0", "ignored": "7-4"}}} if place == "bits" else {}
    else:
        tables = {"format": 1, "kind": "made", "stream": {}, "channel": [channel("it")]}
        tables["line"] = {"it": {"says": "reading", "pattern": "{it:number} g"}}
        layout = {"pattern": f"S{{state:{place}}}" + (" {it:number}" if says == "reading" else "")}
    tables["line"]["state"] = {"says": says, "fields": fields} | layout
    with pytest.raises(SettingErrors, match="is the same number as 0") as caught:
        check_description(tables)
    assert [error.key for error in caught.value.errors] == [f"line.state.fields.state.means.{entry}"]
    del fields["state"]["means"][entry]
    check_description(tables)
