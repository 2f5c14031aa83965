"""`daq driver new` never settles by itself what makes another number: marks of thousands, capitals, ignored texts, blocks."""

import itertools
import tomllib

import pytest

from daq.core.driver import Identity, Reject
from daq.core.errors import SettingError
from daq.core.units import ENTRY, UNITS
from daq.descriptions.capture import Capture, Piece
from daq.descriptions.guessing.enteredunits import entered_unit
from daq.descriptions.guessing.guess import guess_description
from daq.descriptions.guessing.markasked import asked_decimal_mark
from daq.descriptions.guessing.questions import Answers, span
from daq.descriptions.load import check_description
from daq.descriptions.unitwords import PREFIXES, SPELLED, unit_word
from tests.campaigns.guesses.letterless import drawn, judged
from tests.support.captures import described

MS = 1_000_000


def streamed(lines):
    return Capture([Piece(i * 500 * MS, "<", line.encode() + b"\r\n") for i, line in enumerate(lines)])


def guessed(lines, answers=None):
    capture = lines if isinstance(lines, Capture) else streamed(lines)
    return guess_description("made", capture, "made.capture", answers)


def driver_of(guess):
    return check_description(tomllib.loads(guess.text), "made.toml").driver()


def keys(guess):
    return {question.key for question in guess.questions}


# ---- marks

SHAPES = ("{}", "{} g", "W {} g", "W={}", "W;{};A", "W\t{}")
"""Lines with one number in several places."""


def marked(whole, digits, mark):
    return f"{whole}{mark}{digits}"


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("mark", ".,")
@pytest.mark.parametrize("first", ["1", "12", "123", "001"])
def test_a_mark_before_exactly_three_digits_in_every_line_is_a_question(first, mark, shape):
    """950 g and 1,050 g: 1050 g, or 1.05 g; `001,023` may be two columns."""
    numbers = [marked(first, digits, mark) for digits in ("050", "023", "408", "977")]
    for others in ((), ("950",)):
        lines = [shape.format(number) for number in (*others, *numbers)]
        guess = guessed(lines)
        assert keys(guess) & {"comma", "point"}, lines
        assert any("thousands" in point for point in guess.open_points)


@pytest.mark.parametrize("mark", ".,")
@pytest.mark.parametrize("proof", ["7{}5", "7{}25", "7{}0625", "1234{}567", "0{}998"])
def test_another_number_of_digits_proves_that_the_mark_is_not_between_thousands(proof, mark):
    lines = [f"W;{number.format(mark)};A" for number in ("1{}050", "12{}408", proof)]
    ask = Answers({})
    found = asked_decimal_mark(lines, ask)
    assert (found.mark, found.points, ask.open) == (mark, [], [])
    assert mark in found.proved


@pytest.mark.parametrize(
    "lines",
    [
        ("1,050.5 g", "2,408.25 g"),  # thousands, and a decimal point
        ("1.050,5 g", "2.408,25 g"),  # thousands, and a decimal comma
        ("1,050,000 g", "2,408,500 g"),
        ("001,023", "002,145"),
        ("12.345,67.890", "13.456,78.901"),
    ],
)
def test_marks_of_two_kinds_and_columns_of_a_constant_width_are_a_question(lines):
    ask = Answers({})
    found = asked_decimal_mark(lines, ask)
    assert ask.open
    assert found.points
    assert all("thousands" in question.answers for question in ask.open)


@pytest.mark.parametrize("mark", ".,")
def test_the_answer_decides_and_numbers_with_thousands_have_no_description(mark):
    lines = [f"W {number}" for number in (f"1{mark}050", f"2{mark}408", f"3{mark}977")]
    key = "point" if mark == "." else "comma"
    assert driver_of(guessed(lines, {key: "yes"})).decode(f"W 1{mark}050".encode()) == (1.05,)
    for answer in ("thousands", *(["no"] if mark == "." else [])):
        with pytest.raises(ValueError, match="between thousands"):
            guessed(lines, {key: answer})
    if mark == ",":
        assert driver_of(guessed(lines, {key: "no"})).decode(b"W 1,050") == (1.0, 50.0)


@pytest.mark.parametrize("sign", ["", "-", "+"])
@pytest.mark.parametrize("number", ["1{}000", "453{}592", "12{}345", "001{}000"])
@pytest.mark.parametrize("mark", ".,")
def test_an_entered_number_with_three_digits_behind_its_mark_is_refused(number, mark, sign):
    text = number.format(mark)
    with pytest.raises(ValueError, match="may be .*: write one of the two"):
        entered_unit(f"{text} g")
    limits = sorted((sign + text, "-500000" if sign == "-" else "500000"), key=lambda t: float(t.replace(",", ".")))
    with pytest.raises(ValueError, match="may be .*: write one of the two"):
        span("g")(" to ".join(limits))


def test_an_entered_number_of_another_form_is_understood():
    assert entered_unit("0,001 g") == ("g", 0.001)
    assert entered_unit("453.5920 g") == ("g", 453.592)
    assert entered_unit("1000 g") == ("g", 1000.0)
    assert span("g/mL")("0.998 to 1.002") == (0.998, 1.002)
    with pytest.raises(ValueError, match="write one of the two"):
        span("g/mL")("0.998 to 1,002")


@pytest.mark.parametrize("mark", ".,")
@pytest.mark.parametrize("proved", [False, True])
def test_a_full_scale_that_may_have_thousands_needs_a_mark_that_readings_prove_or_an_answer(proved, mark):
    line = f"GAUGE SN=R-12 FS=1{mark}000 uN.m"
    readings = [f"TQ={(f'{10 + 3.3 * n:.1f}' if proved else str(10 + n)).replace('.', mark)} %" for n in range(9)]
    pieces = []
    for n, reading in enumerate(readings):
        for at, (request, answer) in enumerate(((b"R", reading), (b"ID?", line))):
            t = (2 * n + at) * 300 * MS
            pieces += [Piece(t, ">", request + b"\r\n"), Piece(t + 9 * MS, "<", answer.encode() + b"\r\n")]
    answers = {f"full scale {line}": "yes", "comma": "yes"}
    guess = guessed(Capture(pieces), answers)
    assert (f"mark {line}" in keys(guess)) != proved
    assert ("{full_scale:" in guess.text) == proved
    made = driver_of(guessed(Capture(pieces), answers | {f"mark {line}": "yes"}))
    assert made.decode(line.encode(), made.identify()).identity == Identity(
        "made", "R-12", "", {"full_scale_uN_m": 1.0}
    )
    if not proved:
        with pytest.raises(ValueError, match="between thousands"):
            guessed(Capture(pieces), answers | {f"mark {line}": "no"})


# ---- units in capitals

KNOWN = {*UNITS, *ENTRY, *SPELLED}
WORDS = sorted(word for word in KNOWN | {p + w for p in PREFIXES for w in KNOWN} if unit_word(word)[0])


def size(word):
    code, factor = unit_word(word)
    return UNITS[code].dimension, pytest.approx(factor * UNITS[code].factor), UNITS[code].offset


@pytest.mark.parametrize("word", [word for word in WORDS if word.isascii() and word.upper() != word])
def test_a_unit_in_capitals_is_the_same_unit_or_unknown(word):
    """A display of capitals only writes MG for milligrams, and MV for millivolts."""
    capitals = word.upper()
    meant = {w for w in WORDS if w.upper() == capitals and w[:1].upper() + w[1:] != w}
    if unit_word(capitals)[0]:
        assert all(size(capitals) == size(one) for one in meant)


@pytest.mark.parametrize("letter", sorted(w for w in WORDS if len(w) == 1 and w.isascii() and w.isupper()))
@pytest.mark.parametrize("glue", ["", " "])
def test_a_constant_capital_letter_behind_a_number_is_a_unit_only_by_an_answer_or_the_name_before_it(letter, glue):
    """12.3 G: grams, or a gross weight."""
    lines = [f"{number}{glue}{letter}" for number in ("12.3", "13.45", "9.5")]
    guess = guessed(lines)
    assert any(key.startswith("unit ") for key in keys(guess))
    assert any("the UCUM unit of" in point for point in guess.open_points)
    assert driver_of(guess).channels[0].unit == "1"
    names = {"temperature": "T", "mass": "MASS"}
    name = names.get(UNITS[unit_word(letter)[0]].dimension, letter)
    found = driver_of(guessed([f"{name}={line}" for line in lines])).channels[0]
    assert found.unit == unit_word(letter)[0]


# ---- ignored texts

TEXTS = ("ST", "US", "E")


PLACES = ("{1};{0}", "{0};{1}", "{0} {1} g", "A;{1};{0};B")


@pytest.mark.parametrize(
    ("number", "meanings"), list(enumerate(itertools.product(("ignored", "ok", "probe", ""), repeat=3))), ids=str
)
def test_a_place_is_ignored_only_with_all_of_its_texts(number, meanings):
    shape = PLACES[number % 4]
    lines = [shape.format(TEXTS[n % 3], f"{12.25 + n}") for n in range(9)]
    asked = [q for q in guessed(lines).questions if q.key.startswith("state ")]
    assert [q.key.rpartition("/")[2] for q in asked] == [*TEXTS]
    given = {q.key: meaning for q, meaning in zip(asked, meanings, strict=True) if meaning}
    given_meanings = [meaning for meaning in meanings if meaning]
    if "ignored" in given_meanings and len({one == "ignored" for one in given_meanings}) > 1:
        with pytest.raises(ValueError, match="in the same place"):
            guessed(lines, given)
        return
    guess = guessed(lines, given)
    everything = given_meanings == ["ignored"] * 3
    driver = driver_of(guess)
    unseen = driver.decode(shape.format("XX", "12.25").encode())
    assert isinstance(unseen, Reject) != everything
    for text, meaning in zip(TEXTS, meanings, strict=True):
        named = any(f'"{text}"' in point.partition(" mean a fault")[0] for point in guess.open_points)
        assert named == (meaning in ("", "ignored") and not everything)
        faults = getattr(driver.decode(shape.format(text, "12.25").encode()), "faults", ())
        assert [fault for _, fault in faults] == (["probe"] if meaning == "probe" else [])


# ---- names


def test_a_name_that_another_number_has_is_refused():
    lines = [f"A {12.25 + n} % B {20.5 + n} %" for n in range(4)]
    asked = [q.key for q in guessed(lines).questions if q.key.startswith("name ")]
    assert len(asked) == 2
    with pytest.raises(ValueError, match="is the name of 20.5 in these lines already"):
        guessed(lines, {asked[0]: "value_2"})
    with pytest.raises(ValueError, match="is the name of 12.25 in these lines already"):
        guessed(lines, {asked[0]: "solids", asked[1]: "solids"})
    made = driver_of(guessed(lines, {asked[0]: "solids", asked[1]: "water"}))
    assert [channel.name for channel in made.channels] == ["solids", "water"]


# ---- blocks

BLOCK = ("No. {n}", "Gross {a:.2f} kg", "Net {b:.2f} kg")


def blocks(extra="", at=0, every=5, alone=False):
    pieces = []
    for n in range(20):
        lines = [line.format(n=n, a=10.5 + n, b=9.25 + n) for line in BLOCK]
        if extra and n % every == 2:
            lines = [extra] if alone else [*lines[:at], extra, *lines[at:]]
        pieces += [Piece(n * 2000 * MS + i * 10 * MS, "<", line.encode() + b"\r\n") for i, line in enumerate(lines)]
    return Capture(pieces)


def test_a_block_in_every_group_of_lines_has_no_question_on_other_lines():
    guess = guessed(blocks())
    assert any("block of 3 lines" in finding for finding in guess.findings)
    assert not any(key.startswith("between ") for key in keys(guess))


@pytest.mark.parametrize("extra", ["OVERLOAD", "Error 7", "Date 26.11.2026"])
@pytest.mark.parametrize(("at", "alone"), [(1, False), (2, False), (3, False), (0, True)])
def test_a_line_that_only_some_blocks_have_is_a_question_in_every_place(extra, at, alone):
    capture = blocks(extra, at, every=10 if alone else 5, alone=alone)
    guess = guessed(capture)
    assert any("block of 3 lines" in finding for finding in guess.findings)
    (key,) = [key for key in keys(guess) if key.startswith("between ")]
    assert extra.startswith(key.removeprefix("between "))
    assert any("has no meaning for the values" in point for point in guess.open_points)
    assert alone == any("are left out" in finding for finding in guess.findings)
    closed = guessed(capture, {key: "ignored"})
    assert not any("has no meaning for the values" in point for point in closed.open_points)
    with pytest.raises(ValueError, match="answer with one of: ignored"):
        guessed(capture, {key: "probe"})


def test_a_capture_that_begins_and_ends_within_a_block_leaves_out_nothing():
    capture = blocks()
    guess = guessed(Capture(capture.pieces[1:-1]))
    assert not any("are left out" in finding for finding in guess.findings)
    with pytest.raises(SettingError):
        guessed(Capture(capture.pieces[:0]))


# ---- decimal or hexadecimal digits

DIGITS = ("0123", "0456", "1789", "0042", "8310")
"""Whole numbers of one width whose capture happens to have no letter."""
DIGIT_SHAPES = ("{}", "H {}", "H={} g", "{};12.5", "A  {} 00.5 g", "{} 12.5", "{}X")


def with_digits(shape, texts=DIGITS):
    return [shape.format(text) for text in texts * 2]


@pytest.mark.parametrize("shape", DIGIT_SHAPES)
def test_digits_with_leading_zeros_are_decimal_or_hexadecimal_only_by_an_answer(shape):
    lines = with_digits(shape)
    guess = guessed(lines)
    (question,) = [q for q in guess.questions if q.key.startswith("digits ")]
    assert set(question.lines) <= set(lines)
    assert {*question.parts} <= {*DIGITS}
    assert any("is decimal or hexadecimal" in point for point in guess.open_points)
    for answer, base, top in (("decimal", 10, 0), ("hexadecimal", 16, 0), ("signed", 16, 1 << 16)):
        closed = guessed(lines, {question.key: answer})
        assert not any("hexadecimal" in point for point in closed.open_points)
        driver = driver_of(closed)
        for text, line in zip(DIGITS, lines, strict=False):
            number = int(text, base)
            meaning = driver.decode(line.encode())
            values = getattr(meaning, "values", meaning)
            assert values[0] == number - (top if 2 * number >= top > 0 else 0), (line, answer)
        if base == 16:
            whole = {0: (0.0, 65535.0), 1 << 16: (-32768.0, 32767.0)}[top]
            assert (driver.channels[0].low, driver.channels[0].high) == whole
            assert not isinstance(driver.decode(lines[0].replace("0123", "01AF").encode()), Reject)
            assert isinstance(driver.decode(lines[0].replace("0123", "123").encode()), Reject)


@pytest.mark.parametrize(
    ("name", "texts"),
    [
        ("letters", ("0123", "04A6", "1789")),
        ("signs", ("+0123", "-0456", "+1789")),
        ("a fraction", ("0123.5", "0456.0", "1789.2")),
    ],
)
def test_digits_that_the_capture_decides_are_no_question_of_their_base(name, texts):
    assert not any(key.startswith("digits ") for key in keys(guessed(with_digits("{};3.25", texts)))), name


def test_digits_that_are_one_number_with_an_exponent_or_hexadecimal_are_a_question():
    lines = with_digits("H {} g", ("01E2", "03E1", "02E2"))
    (key,) = [key for key in keys(guessed(lines)) if key.startswith("digits ")]
    assert driver_of(guessed(lines, {key: "decimal"})).decode(b"H 01E2 g") == (100.0,)
    assert driver_of(guessed(lines, {key: "hexadecimal"})).decode(b"H 01E2 g") == (float(0x1E2),)


@pytest.mark.parametrize("meant", ["state", "bits", "ignored"])
def test_digits_that_are_no_number_have_no_question_of_their_base(meant):
    lines = with_digits("{};12.5")
    unit = next(key for key in keys(guessed(lines)) if key.startswith("unit ") and key.endswith("/0"))
    assert not any(key.startswith("digits ") for key in keys(guessed(lines, {unit: meant})))


@pytest.mark.parametrize(
    ("notes", "asked"),
    [
        ({0: "12.3 g", 1: "45.6 g"}, False),  # the digits of the display, in tenths
        ({1: "456 g"}, False),
        ({0: "29.1 g"}, True),  # 0123 is 291
        ({0: "12.3 g", 1: "110.2 g"}, True),
        ({0: "18.77 g"}, True),  # neither
        ({0: "12.3 g 291"}, True),  # both
        ({}, True),
    ],
)
def test_the_display_proves_decimal_digits_only_where_each_text_shows_them(notes, asked):
    pieces = []
    for n, line in enumerate(with_digits("H {} g")):
        pieces.append(Piece(n * 500 * MS, "<", line.encode() + b"\r\n"))
        pieces += [Piece((n * 500 + 100) * MS, "=", notes[n].encode())] if n in notes else []
    assert any(key.startswith("digits ") for key in keys(guessed(Capture(pieces)))) == asked


def test_a_number_that_is_in_the_line_twice_proves_no_digits():
    """The display shows 12.3, which is the second number: the first one may be 291."""
    lines = [f"{text};{int(text) / 10:.1f} g" for text in DIGITS * 2]
    pieces = [Piece(n * 500 * MS, "<", line.encode() + b"\r\n") for n, line in enumerate(lines)]
    guess = guessed(Capture([pieces[0], Piece(100 * MS, "=", b"12.3 g"), *pieces[1:]]))
    assert any(key.startswith("digits ") for key in keys(guess))


@pytest.mark.parametrize("special", ["----", "OL", "ERR", "-----"])
def test_letters_prove_hexadecimal_digits_beside_a_text_in_place_of_the_number(special):
    texts = ("8123", "01AF", special, "1234", "8456", "19B2", "1200")
    lines = [f"H {text};{n}.25" for n, text in enumerate(texts)]
    guess = guessed(lines)
    (key,) = [key for key in keys(guess) if key.startswith("hex ")]
    for made, first in ((guess, None), (guessed(lines, {key: "number g"}), float(0x8123))):
        driver = driver_of(made)
        for line in lines:
            meaning = driver.decode(line.encode())
            assert not isinstance(meaning, tuple) or meaning[0] != 8123.0, line
        assert driver.decode(lines[0].encode())[0] == (first or 0.25)


@pytest.mark.parametrize("letters", ["A3", "FF", "B07"])
def test_digits_of_several_widths_beside_a_text_of_hexadecimal_digits_are_a_question(letters):
    """`A3` is the fault A3, or the number 163: then 12 is 18."""
    texts = ("63", "12", letters, "142", "7")
    lines = [f"H {text};{n}.25" for n, text in enumerate(texts * 2)]
    guess = guessed(lines)
    (key,) = [key for key in keys(guess) if key.startswith("digits ")]
    assert any("is decimal or hexadecimal" in point for point in guess.open_points)
    assert driver_of(guessed(lines, {key: "decimal"})).decode(b"H 12;1.25") == (12.0, 1.25)
    made = driver_of(guessed(lines, {key: "hexadecimal"}))
    assert made.decode(b"H 12;1.25") == (18.0, 1.25)
    assert made.decode(f"H {letters};1.25".encode()) == (float(int(letters, 16)), 1.25)


@pytest.mark.parametrize(
    ("texts", "kind"),
    [
        (("7F", "12", "1A", "80"), "hex"), (("FFF6", "000C", "8310"), "hex"), (("C", "1F", "107"), "hex"),
        (("107", "1F", "C"), "hex"), (("63", "12", "80"), "digits"), (("63", "12", "142"), "digits"),
    ],
)  # fmt: skip
def test_a_sign_in_hexadecimal_digits_needs_digits_of_one_width(texts, kind):
    """In digits of several widths `80` is 128 with 16 bits, and -128 with the 8 bits of its own width."""
    lines = [f"H {text};{n}.25" for n, text in enumerate(texts * 2)]
    (question,) = [q for q in guessed(lines).questions if q.key.startswith(f"{kind} ")]
    answer = "signed 1" if kind == "hex" else "signed"
    if len({len(text) for text in texts}) > 1:
        assert "signed" not in question.answers
        with pytest.raises(ValueError, match="the number of bits is not known"):
            question.check(answer)
        return
    bits = 4 * len(texts[0])
    assert f"two's complement of {bits} bits" in question.answers
    made = driver_of(guessed(lines, {question.key: answer}))
    for text in texts:
        number = int(text, 16)
        assert made.decode(f"H {text};1.25".encode())[0] == number - (number >> bits - 1 << bits), text


def test_a_question_about_one_digit_names_no_number_that_is_not_in_the_lines():
    lines = [f"N {n % 8 + 1};1.5{n % 7}" for n in range(20)]
    (question,) = [q for q in guessed(lines).questions if q.key.startswith("digits ")]
    assert "Are the digits in these lines decimal or hexadecimal" in question.text
    assert "whether 1 is decimal or hexadecimal" in question.point


SEEDS = [
    pytest.param(range(1, 61)),
    pytest.param(range(61, 601), marks=pytest.mark.slow),
]


@pytest.mark.parametrize("seeds", SEEDS, ids=str)
def test_a_number_without_letters_is_read_in_its_base_or_is_a_question(seeds):
    found = [(seed, *judged(seed)) for seed in seeds]
    assert [(seed, one.what, line) for seed, outcome, one, _, line in found if outcome == "wrong"] == []
    hexadecimal = [outcome for _, outcome, one, *_ in found if one.base == 16]
    assert "right" not in hexadecimal  # no capture proves hexadecimal digits: the meaning of them is asked
    assert hexadecimal.count("question") > 5 * hexadecimal.count("refused")
    decimal = [outcome for _, outcome, one, *_ in found if one.base == 10]
    assert decimal.count("right") > len(decimal) / 4


@pytest.mark.parametrize("seeds", SEEDS[:1], ids=str)
def test_an_answer_on_the_base_gives_the_numbers_of_the_instrument(seeds):
    names = {10: "decimal", 16: "hexadecimal"}
    found = [(seed, *judged(seed, names[drawn(seed).base])) for seed in seeds]
    assert [(seed, one.what, line) for seed, outcome, one, _, line in found if outcome == "wrong"] == []
    assert sum(outcome == "right" for _, outcome, *_ in found) > 0.8 * len(seeds)


@pytest.mark.parametrize(
    ("lines", "asked"),
    [
        (with_digits("{};3.25", ("0123", "456", "17890")), True),
        (with_digits("{};3.25", ("8123", "4456", "1789")), True),
        ([f"N {n};1.5" for n in range(5, 25)], False),  # a counter goes from 9 to 10
        ([f"N {n};1.5" for n in (*range(5, 10), *range(16, 26))], True),  # 9 to 16: in hexadecimal 9, 10 to 19
        ([f"N {(n * 7919) % 1000:03d};1.5" for n in range(120)], False),  # all digits in both places, and no letter
        ([f"N {(n * 7919) % 1000 // 10 * 10:03d};1.5" for n in range(120)], True),  # the last digit is 0 in each
        ([f"N {10 << n % 4};1.5" for n in range(60)], True),  # a status: 10, 20, 40, 80
    ],
)  # fmt: skip
def test_evidence_of_decimal_digits(lines, asked):
    assert any(key.startswith("digits ") for key in keys(guessed(lines))) == asked


@pytest.mark.parametrize(
    ("texts", "asked"),
    [
        (("3B", "12", "107", "9"), "hex"),
        (("7", "1E2", "45", "9"), "digits"),
        (("21C", "9C", "104C", "7C", "88C", "90C"), "unit"),  # a letter behind each number: degrees
        (("21C", "9C", "104C"), "hex"),
    ],
)
def test_words_of_several_widths_with_a_letter_behind_a_digit_are_hexadecimal(texts, asked):
    found = {key.partition(" ")[0] for key in keys(guessed([f"H {text};{n}.25" for n, text in enumerate(texts)]))}
    assert asked in found
    assert ("hex" in found) == (asked == "hex")


@pytest.mark.parametrize(
    ("texts", "first", "fault"),
    [
        (("21C", "22C", "25C"), 21.0, ""),  # degrees
        (("21C", "9C", "104C"), 21.0, ""),
        (("123", "ADD", "145", "207"), 123.0, "ADD"),  # a text in the place of the number
        (("21C", "70F", "25C"), 21.0, ""),  # two units
        (("1AF3", "0012", "0456"), None, ""),  # a letter before a digit
    ],
)
def test_letters_behind_decimal_digits_are_digits_only_by_an_answer(texts, first, fault):
    lines = [f"H {text};{n}.25" for n, text in enumerate(texts * 2)]
    (question,) = [q for q in guessed(lines).questions if q.key.startswith("hex ")]
    assert ("decimal" in question.answers) == (first is not None)
    as_hexadecimal = driver_of(guessed(lines, {question.key: "number 1"}))
    assert as_hexadecimal.decode(lines[0].encode())[0] == float(int(texts[0], 16))
    if first is None:
        with pytest.raises(ValueError, match="answer bits, state, ignored"):
            guessed(lines, {question.key: "decimal"})
        return
    made = guessed(lines, {question.key: "decimal"})
    assert not any(key.startswith(("hex ", "digits ")) for key in keys(made))
    assert driver_of(made).decode(lines[0].encode())[0] == first
    if fault:
        meaning = driver_of(made).decode(lines[1].encode())
        assert meaning.values[0] is None


@pytest.mark.parametrize("hours", [(9,), (9, 10), (21,)])
def test_a_time_of_day_is_read_at_every_hour(hours):
    """Before, a capture between 9:05 and 9:20 made a driver that refused every line from 10:00 on."""
    lines = [f"{hour}:{minute:02d} {1.5 + minute:.2f} g" for hour in hours for minute in range(5, 21)]
    make, _ = described(streamed(lines))
    for hour in range(24):
        assert make().decode(b"%d:07 12.50 g" % hour)[0] == 12.5, hour
