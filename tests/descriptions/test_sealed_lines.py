"""Lines with any checksum: a writer of this file makes them, the reader reads them, and every damaged bit is refused.

The writer computes CRCs with the public package `crc` and sums by their definition; it shares no code with the reader.
"""

import random
from binascii import crc_hqx

import pytest
from crc import Calculator, Configuration

from daq.core.driver import Reject, Values
from daq.core.errors import SettingErrors
from daq.core.frames import make_framer
from daq.descriptions.load import check_description

QUICK, ALL = 12, 250
MASS = {"name": "mass", "unit": "g", "low": -1e6, "high": 1e6}


def tables(checksum, own, **more):
    return {
        "format": 1, "kind": "made", "stream": {}, "channel": [MASS], "checksum": checksum,
        "line": {"it": {"says": "reading", **own}},
    } | more  # fmt: skip


def kind_of(rng):
    """A kind of checksum: its keys, and the function from bytes to value and number of bits."""
    if rng.random() < 0.5:
        width = rng.choice((8, 16, 24, 32))
        one = {
            "width": width, "polynomial": rng.getrandbits(width) | 1, "initial": rng.choice((0, 2**width - 1)),
            "reflected": rng.random() < 0.5, "final": rng.getrandbits(width),
        }  # fmt: skip
        public = Calculator(
            Configuration(
                width, one["polynomial"], one["initial"], one["final"],
                reverse_input=one["reflected"], reverse_output=one["reflected"],
            )
        )  # fmt: skip
        return {"crc": one}, public.checksum, width, 2**width - 1
    modulus = rng.choice((95, 100, 256, 65_536))
    complement = rng.choice(("none", "ones", "twos"))

    def of(data):
        total = sum(data) % modulus
        return {"none": total, "ones": modulus - 1 - total, "twos": (modulus - total) % modulus}[complement]

    bits = 16 if modulus > 256 else 8
    return {"sum": {"modulus": modulus, "complement": complement}}, of, bits, modulus - 1


def digits_of(rng, value, bits, most):
    """A way to write a checksum: its keys, and the bytes."""
    size = bits // 8
    way = rng.choice(("hex", "low hex", "decimal", "big_endian", "little_endian"))
    if way in ("big_endian", "little_endian"):
        return {"written": way}, lambda value: value.to_bytes(size, way.partition("_")[0])
    if way == "decimal":
        return {"written": way}, lambda value: str(value).rjust(len(str(most)), "0").encode()
    lower = rng.random() < 0.5
    keys = {"letters": "lower" if lower else "upper", "low_first": way == "low hex"}

    def written(value):
        text = value.to_bytes(size, "little" if way == "low hex" else "big").hex()
        return (text if lower else text.upper()).encode()

    return keys, written


def made(rng):
    """A description with a checksum, and the function from a number as text to its line, and the covered bytes of it."""
    kind, of, bits, most = kind_of(rng)
    way, write = digits_of(rng, 0, bits, most)
    mark, behind = rng.choice(("", "*", "\x03")), rng.choice(("", ";"))
    keys = {"mark": mark, "behind": behind}
    head, tail, cover = "ID$", "/q", rng.choice(("all", "skip", "after", "before"))
    pattern = f"{head}{{mass:number}}{tail}"
    if cover == "skip":
        keys["skip"] = 2
    if cover == "after":
        keys |= {"after": "$", "covers_after": rng.random() < 0.5}
    if cover == "before":
        keys |= {"before": "/", "covers_before": rng.random() < 0.5}
    elif mark and rng.random() < 0.5:
        keys["covers_mark"] = True

    def line(text):
        content = f"{head}{text}{tail}".encode()
        start, end = 0, len(content)
        if cover == "skip":
            start = 2
        if cover == "after":
            start = 2 if keys["covers_after"] else 3
        if cover == "before":
            end -= 1 if keys["covers_before"] else 2
        covered = content[start:end] + (mark.encode() if keys.get("covers_mark") else b"")
        whole = content + mark.encode() + write(of(covered)) + behind.encode()
        return whole, range(start, end)

    longest = len(line("-12345.678")[0])
    return keys | kind | way, pattern, line, longest


@pytest.mark.parametrize("examples", [QUICK, pytest.param(ALL, marks=pytest.mark.slow)])
def test_a_line_is_read_as_written_and_every_damaged_bit_that_is_covered_is_refused(examples):
    rng = random.Random("sealed lines")
    for _ in range(examples):
        checksum, pattern, line, _ = made(rng)
        driver = check_description(tables(checksum, {"pattern": pattern}, framing={"silence": "5 ms"})).driver()
        number = rng.randrange(-9_999_999, 9_999_999) / 1000
        whole, covered = line(f"{number:.3f}")
        assert driver.decode(whole) == (number,), (checksum, whole)
        assert driver.has_checksum
        assert driver.protects(whole)
        for at in range(len(whole)):
            if at >= len(whole) - len(checksum["behind"]) or at in covered or at >= len(f"ID${number:.3f}/q"):
                for bit in range(8):
                    broken = whole[:at] + bytes([whole[at] ^ 1 << bit]) + whole[at + 1 :]
                    meaning = driver.decode(broken)
                    assert isinstance(meaning, Reject), (checksum, whole, broken, meaning)
        for at in range(len(whole)):
            assert isinstance(driver.decode(whole[:at]), Reject)


STX = {
    "framing": {"begin": "\x02", "ends": ["\r\n"], "longest": 60},
    "line": {
        "it": {"says": "reading", "pattern": "M{mass:number}"},
        "off": {"says": "status", "pattern": "?E{code:whole}", "checksum": "none",
                "fields": {"code": {"means": {"3": "probe"}, "others": "instrument_error"}}},
    },
}  # fmt: skip


def block(text, check):
    return b"\x02" + text + b"\x03" + check(text + b"\x03") + b"\r\n"


def xor(data):
    value = 0
    for byte in data:
        value ^= byte
    return bytes([value])


@pytest.mark.parametrize("name", ["xor", "crc-16/xmodem"])
def test_blocks_between_stx_and_etx_are_found_in_noise_and_however_they_are_cut(name):
    check = xor if name == "xor" else lambda data: crc_hqx(data, 0).to_bytes(2, "big")
    description = tables({"name": name, "written": "big_endian", "mark": "\x03", "covers_mark": True}, {}, **STX)
    driver = check_description(description).driver()
    rng = random.Random(name)
    wild = 0
    for _ in range(60):
        sent, data = [], b""
        for _ in range(8):
            number = rng.randrange(-99_999, 99_999) / 100
            whole = block(f"M{number:.2f}".encode(), check)
            way = rng.random()
            if way < 0.2:
                data += b"?E03\r\n"
                sent.append("E")
            elif way < 0.3:
                data += whole[: rng.randrange(1, len(whole))]  # cut off: nothing of it may be read
                wild += 1
                continue
            elif way < 0.4:
                data += rng.choice((b"\x02", b"\x02M1", b"\x03", b"\r\n", b"M1.5\r\n", rng.randbytes(3)))
            data += whole
            sent.append(number)
        # A cut block hides at most the bare line behind it; a block is found by its STX.
        framer, found = make_framer(driver.framing), []
        at = 0
        while at < len(data):
            size = rng.randrange(1, 9)
            found += [driver.decode(frame) for frame in framer.feed(0, data[at : at + size])]
            at += size
        values = [one[0] for one in found if type(one) is tuple]
        assert values == [one for one in sent if one != "E"], data
        errors = [one for one in found if getattr(one, "faults", ()) == (("", "probe"),)]
        assert len(errors) <= sent.count("E")
    assert wild > 20


def test_an_error_without_checksum_beside_checked_values():
    description = tables({"name": "xor", "mark": "*"}, {}, line=STX["line"])
    driver = check_description(description).driver()
    good = b"M12.50*" + xor(b"M12.50").hex().upper().encode()
    assert driver.decode(good) == (12.5,)
    assert driver.decode(b"?E03").faults == (("", "probe"),)
    assert driver.decode(b"?E07").faults == (("", "instrument_error"),)
    assert driver.decode(b"M12.50") == Reject("unknown line")
    assert isinstance(driver.decode(good[:-1] + b"0"), Reject)
    assert driver.protects(good)
    assert not driver.protects(b"?E03")
    assert not isinstance(driver.decode(b"?E03"), Values)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ({"says": "reading", "pattern": "M{mass:number}", "checksum": "none"}, "must begin with another text"),
        ({"says": "reading", "pattern": "{mass:number}", "checksum": "none"}, "must begin with another text"),
        ({"says": "reading", "pattern": "T{mass:number}", "checksum": "none"}, ""),
    ],
)
def test_a_cut_reading_is_not_taken_for_one_without_checksum(line, reason):
    description = tables({"name": "xor", "mark": "*"}, {"pattern": "M{mass:number}"})
    description["line"]["other"] = line
    if not reason:
        assert not check_description(description).driver().has_checksum
        return
    with pytest.raises(SettingErrors, match=reason):
        check_description(description)


@pytest.mark.parametrize("bits", [4, 8, 16, 24, 32])
def test_hexadecimal_digits_in_twos_complement(bits):
    field = {"signed_bits": bits, "scale": 0.5}
    for place in ("{mass:hex}", "{mass:hex 12}"):
        line = {"pattern": f"<{place}>", "fields": {"mass": field}}
        description = tables(None, line)
        del description["checksum"]
        driver = check_description(description).driver()
        rng = random.Random(bits)
        edges = [0, 1, -1, 2 ** (bits - 1) - 1, -(2 ** (bits - 1))]
        for number in (*edges, *(rng.randrange(-(2 ** (bits - 1)), 2 ** (bits - 1)) for _ in range(40))):
            digits = (number % 2**bits).to_bytes(8, "big").hex()[-bits // 4 :]
            text = digits.rjust(12) if " 12" in place else digits
            assert driver.decode(f"<{text}>".encode()) == (number / 2,)
            assert driver.decode(f"<{text.upper()}>".encode()) == (number / 2,)
        # A digit more or less is another number: it is refused.
        for digits in ("F" * (bits // 4 + 1), "F" * (bits // 4 - 1)):
            assert isinstance(driver.decode(f"<{digits}>".encode()), Reject)


@pytest.mark.parametrize(
    ("pattern", "check", "key"),
    [
        ("{mass:number} g", {"skip": 1}, "checksum.skip"),
        ("ID{mass:number} g", {"skip": 3}, "checksum.skip"),
        ("ID{mass:number} g", {"skip": 2}, ""),
        ("{:word 3}{mass:number} g", {"skip": 3}, ""),
        ("ID{mass:number}$ g", {"after": "$"}, "checksum.after"),
        ("ID${mass:number} g", {"after": "$"}, ""),
        ("ID/{mass:number} g", {"before": "/"}, "checksum.before"),
        ("{mass:number}/{state:letters}", {"before": "/"}, ""),
        ("AA 55 {mass:u16be}", {"skip": 3}, "checksum.skip"),
        ("AA 55 {mass:u16be}", {"skip": 2}, ""),
        ("AA 55 {:u8} {mass:u16be}", {"skip": 3}, ""),
    ],
)
def test_a_checksum_that_leaves_out_a_number_is_refused(pattern, check, key):
    form = "bytes" if pattern.startswith("AA") else "pattern"
    fields = {"fields": {"state": {"means": {"OK": ""}}}} if "state" in pattern else {}
    description = tables({"name": "xor", "mark": "*"} | check, {form: pattern} | fields)
    if not key:
        assert check_description(description).driver().has_checksum
        return
    with pytest.raises(SettingErrors, match="does not cover all numbers") as caught:
        check_description(description)
    assert [error.key for error in caught.value.errors] == [key]
