"""Frames of bytes in a capture: fixed bytes, length and checksum are recognised; quantities are left to a person."""

import random
import re
import struct
import tomllib

import pytest

from daq.core.errors import SettingError
from daq.core.frames import make_framer
from daq.descriptions.capture import Capture, Piece
from daq.descriptions.guessing.finding.catalogue import ALGORITHMS
from daq.descriptions.guessing.guess import guess_description
from daq.descriptions.load import check_description, load_description
from daq.descriptions.types import HEX_BYTES
from daq.testing import check_driver
from daq.testing.talk import record
from tests.campaigns.dialects.speaker import crc
from tests.support import sentences
from tests.support.dialects.instruments import DIALECTS, FOLDER

MILLISECOND = 1_000_000
SEALS = {
    "none": lambda data: b"",
    "sum": lambda data: bytes([sum(data) % 256]),
    "modbus": lambda data: struct.pack("<H", crc(data, 16, 0x8005, 0xFFFF, True, 0)),
    "xmodem": lambda data: struct.pack(">H", crc(data, 16, 0x1021, 0, False, 0)),
    "crc32": lambda data: struct.pack("<I", crc(data, 32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF)),
}


def frames_of(rng, seal, length, skip):
    """An identity and 30 readings, each a float and a number of 16 bits, between sync bytes and a checksum."""
    sync = bytes(rng.sample(range(0x80, 0x100), 2))
    contents = [b"\x90" + b"SN%06d" % rng.randrange(10**6)]
    contents += [b"\xa0" + struct.pack(">fh", rng.uniform(900, 1900), rng.randrange(-500, 9000)) for _ in range(30)]
    framed = [sync + struct.pack(length, len(content)) + content for content in contents]
    return sync, [one + SEALS[seal](one[skip:]) for one in framed]


@pytest.mark.parametrize("seal", SEALS)
@pytest.mark.parametrize("polled", [True, False], ids=["polled", "stream"])
def test_sync_bytes_length_and_checksum_are_recognised(seal, polled):
    rng = random.Random(f"{seal} {polled}")
    length, skip = rng.choice(["B", ">H", "<H"]), rng.choice([0, 2])
    sync, frames = frames_of(rng, seal, length, skip)
    pieces = []
    for number, frame in enumerate(frames):
        t = number * 300 * MILLISECOND
        pieces += [Piece(t, ">", b"\x01\x02" if number == 0 else b"\x01\x03")] if polled else []
        cut = rng.randrange(1, len(frame))  # a frame arrives in two pieces
        pieces += [Piece(t + 5 * MILLISECOND, "<", frame[:cut]), Piece(t + 9 * MILLISECOND, "<", frame[cut:])]
    guess = guess_description("made", Capture(pieces), "made.capture")
    tables = tomllib.loads(guess.text)
    assert tables["line"]["value"]["bytes"].startswith(sync.hex(" ").upper() + " {:length} ")
    # The second byte of a short length is zero, as a fixed byte behind a length of one byte would be.
    assert tables["frame"]["length"] == {"B": "u8", ">H": "u16be", "<H": "u8"}[length]
    assert tables["frame"]["adds"] == len(frames[0]) - len(b"\x90SN000000")
    with pytest.raises(SettingError):
        check_description(tables)  # no number is read before a person names it
    if seal == "none":
        assert "checksum" not in tables
        return
    found = tables["checksum"]
    names = [name for name, kind in ALGORITHMS.items() if tomllib.loads(kind.keys).items() <= found.items()]
    of, size = ALGORITHMS[names[0]].checksum.of, ALGORITHMS[names[0]].checksum.size
    order = "big" if found.get("written") == "big_endian" else "little"
    for frame in frames:
        assert of(frame[found.get("skip", 0) : -size]) == int.from_bytes(frame[-size:], order)


@pytest.mark.slow
def test_filled_in_by_hand_it_is_a_driver_that_passes_the_kit():
    make, options = DIALECTS["density"]
    capture = record(load_description(FOLDER / "density.toml").driver(options), make(seed=3), readings=24)
    text = guess_description("made", capture, "made.capture").text
    for old, new in (
        ('name = ""\nunit = ""', 'name = "density"\nunit = "kg/m3"\nlow = 0\nhigh = 3000'),
        ("A0 01 44 {:any 5} 00", "A0 01 {density:f32be} {:i16le} {state:u8}"),
        ("\n# AA 55 04 10 01 B5 21", '\nfields.state.means = { 0 = "" }\n'
         '[line.identity]\nsays = "ignored"\nbytes = "AA 55 {:length} 90 01 {:ascii}"\n'
         '[line.scale]\nsays = "ignored"\nbytes = "AA 55 {:length} 91 01 {:any 4}"\n# AA 55 04 10 01 B5 21'),
    ):  # fmt: skip
        assert old in text
        text = text.replace(old, new, 1)
    driver = check_description(tomllib.loads(text)).driver
    report = check_driver(driver, capture=capture)
    assert report.passed, report.text(everything=False)
    frame = next(piece.data for piece in capture.pieces if piece.way == "<" and piece.data[3:4] == b"\xa0")
    (line,) = make_framer(driver().framing).feed(0, frame)
    assert driver().decode(line, driver().poll()) == struct.unpack(">f", frame[5:9])


def test_bytes_that_begin_differently_are_refused_and_shown():
    rng = random.Random(4)
    noise = Capture([Piece(i * 100 * MILLISECOND, "<", rng.randbytes(12)) for i in range(20)])
    with pytest.raises(SettingError, match=r"are not text.*'Frames of bytes'; the first ones: [0-9A-F]{2} "):
        guess_description("made", noise, "made.capture")


@pytest.mark.parametrize("form", ["M%04XT%04X", "%04X%04X", "H %04X%04X", "W%06d%04d"])
def test_digits_that_are_not_separated_are_shown_and_give_no_description(form):
    """Text with CR LF is no frame of bytes, and no number is taken from a part of its digits."""
    rng = random.Random(form)
    lines = [form % (rng.randrange(65536), rng.randrange(200, 300)) for _ in range(20)]
    pieces = []
    for number, line in enumerate(lines):
        t = number * 1000 * MILLISECOND
        pieces += [Piece(t, ">", b"V?\r\n"), Piece(t + 10 * MILLISECOND, "<", line.encode() + b"\r\n")]
    if form.endswith("%04X%04X") and "T" not in form:
        guess = guess_description("made", Capture(pieces), "made.capture")
        assert any(q.key.startswith("hex ") for q in guess.questions)
        with pytest.raises(SettingError, match=sentences.BEGINS_WITH_A_SMALL_LETTER):
            check_description(tomllib.loads(guess.text))
        return
    with pytest.raises(SettingError, match="no line in this capture has a measured number.*hex 4") as caught:
        guess_description("made", Capture(pieces), "made.capture")
    assert lines[0] in str(caught.value)


def packed_as(kind, whole):
    """Bytes of a number in a type, built from its bits."""
    letter, bits, order = re.fullmatch(r"([uisf])(\d+)(\w*)", kind).groups()
    bits = int(bits)
    if letter == "f":
        own = int.from_bytes(struct.pack("<f" if bits == 32 else "<d", whole), "little")
    else:
        own = abs(whole) + (whole < 0) * 2 ** (bits - 1) if letter == "s" else whole % 2**bits
    high_first = own.to_bytes(bits // 8, "big")
    words = [high_first[at : at + 2] for at in range(0, len(high_first), 2)]
    return {
        "le": high_first[::-1], "belw": b"".join(words[::-1]), "lehw": b"".join(word[::-1] for word in words),
    }.get(order, high_first)  # fmt: skip


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("kind", HEX_BYTES)
def test_notes_of_the_display_name_the_type_of_each_number(kind, signed):
    rng = random.Random(f"{kind} {signed}")
    letter, bits = kind[0], int(re.search(r"\d+", kind)[0])
    top = 2 ** (min(bits, 40) - (letter != "u"))
    pieces, values = [], []
    for n in range(24):
        low = 0 if letter == "u" or not signed else 1 - top
        value = rng.uniform(-900, 900) if letter == "f" else rng.randrange(low, top)
        value = abs(value) if not signed else value
        values.append(value)
        frame = b"\xaa\x55\x07" + packed_as(kind, value) + rng.randbytes(3)
        frame += crc(frame, 16, 0x1021, 0, False, 0).to_bytes(2, "big")
        pieces.append(Piece(n * 500 * MILLISECOND, "<", frame))
        if n % 4 == 1:
            text = f"{value:.3f}" if letter == "f" else f"{value / 10:.1f}"
            pieces.append(Piece((n * 500 + 100) * MILLISECOND, "=", f"{text} g".encode()))
    guess = guess_description("made", Capture(pieces), "made.capture")
    (sentence,) = [one for one in guess.findings if "on the display" in one]
    wanted = f"{{:{kind}}} at byte 3" + ("" if letter == "f" else ", scale = 0.1")
    assert f" {wanted}" in sentence.replace(";", " or").replace(": {", ": {"), sentence
    if signed and letter in "is" and min(values) < 0:
        assert sentence.count(" at byte ") == 1 or bits > 40, sentence
    with pytest.raises(SettingError, match=sentences.BEGINS_WITH_A_SMALL_LETTER):
        check_description(tomllib.loads(guess.text))


def test_two_notes_name_no_type():
    frames = [b"\xaa\x55" + struct.pack(">h", n * 37) + bytes([n]) for n in range(1, 9)]
    pieces = [Piece(n * 500 * MILLISECOND, "<", frame) for n, frame in enumerate(frames)]
    noted = [Piece(100 * MILLISECOND, "=", b"3.7 g"), Piece(600 * MILLISECOND, "=", b"7.4 g")]
    capture = Capture(sorted([*pieces, *noted], key=lambda piece: piece.t))
    assert not any("{:" in one for one in guess_description("made", capture, "made.capture").findings)
