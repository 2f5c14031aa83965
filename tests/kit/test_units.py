"""Units of a line and of a display: the right description passes, each one with another conversion is found by name."""

import itertools
import tomllib
import zlib

import pytest

from daq.core.errors import SettingErrors
from daq.core.units import ENTRY, UNITS, convert
from daq.descriptions.capture import Capture, Piece
from daq.descriptions.guessing.guess import guess_description
from daq.descriptions.load import check_description
from daq.descriptions.unitwords import SPELLED, SYMBOLS, unit_word, written_unit
from daq.testing.case import Case
from daq.testing.checks.checks_units import units_in_lines
from daq.testing.checks.checks_values import values_shown
from daq.testing.conformance import check_driver
from daq.testing.report import DriverFaultError, NotApplicableError
from daq.testing.talk import transcribe

S = 1_000_000_000
PARTS = 12
"""Number of parts of the pairs of units; the first one is a quick test."""
WORDS = [word for word in (*UNITS, *SPELLED) if word not in ("1", "{rev}") and word[0] not in "/[{" and word.isalpha()]


SPELLINGS = [
    word for word in dict.fromkeys((*UNITS, *ENTRY, *SPELLED, *SYMBOLS)) if unit_word(word)[0] not in ("", "V")
]


def size(word):
    code, factor = unit_word(word)
    return pytest.approx(factor * UNITS[code].factor), UNITS[code].offset


PAIRS = [
    (a, b)
    for a, b in itertools.permutations(WORDS, 2)
    if size(a) != size(b) and UNITS[unit_word(a)[0]].dimension == UNITS[unit_word(b)[0]].dimension
]


SHARES = [pytest.param(i, marks=pytest.mark.slow if i else ()) for i in range(PARTS)]


def captured(lines, notes=()):
    pieces = [Piece(i * S, "<", line.encode() + b"\r\n") for i, line in enumerate(lines)]
    for i, note in notes:
        pieces.append(Piece(i * S + S // 2, "=", note.encode()))
    return Capture(sorted(pieces, key=lambda piece: piece.t))


def described(pattern, unit, voltage="", *, decimal="point", **fields):
    return check_description({
        "format": 1, "kind": "made", "stream": {}, "decimal": decimal, "framing": {"encoding": "utf-8"},
        "channel": [
            {"name": name, "unit": own, "low": -1e12, "high": 1e12}
            for name, own in (("it", unit), ("voltage", voltage)) if own
        ],
        "line": {"reading": {"says": "reading", "pattern": pattern, "fields": fields}},
    }).driver  # fmt: skip


def found(check, make, capture):
    """The finding of one check of the kit: the message of the fault, "" where it passes."""
    case = Case(make, make(), talk=transcribe(make(), capture, "capture"))
    try:
        check(case)
    except DriverFaultError as fault:
        return fault.message
    return ""


def lines_of(first, second, mark="."):
    return [
        f"{text.replace('.', mark)} {word}"
        for text, word in (("994.10", first), ("995.25", first), ("1.04867", second))
    ]


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("mark", [".", ","])
def test_every_two_units_of_one_quantity_are_converted_by_what_is_made_of_their_capture(mark, share):
    for first, second in PAIRS[share::PARTS]:
        lines = lines_of(first, second, mark)
        guess = guess_description("made", captured(lines), "made.capture")
        made = check_description(tomllib.loads(guess.text)).driver
        (channel,) = made().channels
        for line, number, word in zip(lines, (994.10, 995.25, 1.04867), (first, first, second), strict=True):
            code, factor = unit_word(word)
            assert made().decode(line.encode()) == (pytest.approx(convert(number * factor, code, channel.unit)),)
        assert not found(units_in_lines, made, captured(lines))


WRONG = {
    "a state": ("{it:number} {word:word}", lambda a, b, _: {"word": {"means": {a: "", b: ""}}}),
    "not kept": ("{it:number} {:word}", lambda *_: {}),
    "exchanged": (
        "{it:number} {word:word}",
        lambda a, b, code: {"word": {"units": {a: code[b], b: code[a]}, "unit_of": ["it"]}},
    ),
    "one for both": (
        "{it:number} {word:word}",
        lambda a, b, code: {"word": {"units": {a: code[a], b: code[a]}, "unit_of": ["it"]}},
    ),
}


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("way", WRONG)
def test_every_wrong_conversion_of_two_units_is_found(way, share):
    pattern, fields = WRONG[way]
    for first, second in PAIRS[share::PARTS]:
        code = {word: unit_word(word)[0] for word in (first, second)}
        try:
            make = described(pattern, code[first], **fields(first, second, code))
        except SettingErrors as refused:  # a word that is a unit cannot be given as another one
            message = str(refused)
        else:
            message = found(units_in_lines, make, captured(lines_of(first, second)))
        assert "is read as" in message or "is the unit" in message, (first, second)


@pytest.mark.parametrize(
    "lines", [["kg 1.25", "kg 1.50"], ["1.25kg", "1.50kg"], ["1.25 N kg", "1.5 B kg"], ["1.25;kg;A", "1.50;kg;A"]]
)
def test_one_unit_in_the_capture_that_is_not_the_one_converted_is_found_wherever_it_is(lines):
    for unit, scale, right in (("g", 1.0, False), ("g", 1000.0, True), ("kg", 1.0, True), ("kg", 0.001, False)):
        pattern = lines[0].replace("1.25", "{it:number}").replace(" N ", " {:word} ")
        message = found(units_in_lines, described(pattern, unit, it={"scale": scale}), captured(lines))
        assert bool(message) != right, (unit, scale, message)


@pytest.mark.parametrize("lines", [["UNIT kg", "W {}"], ["UNIT kg", "NET", "W {}"]])
def test_a_unit_in_the_first_line_of_a_block_is_found(lines):
    block = "\r\n".join(lines)
    for unit, right in (("g", False), ("kg", True)):
        make = check_description({
            "format": 1, "kind": "made", "stream": {},
            "framing": {"begin": lines[0][:4], "lines": len(lines), "idle": "200 ms"},
            "channel": [{"name": "it", "unit": unit, "low": 0, "high": 1000}],
            "line": {"reading": {"says": "reading", "pattern": block[4:].format("{it:number}")}},
        }).driver  # fmt: skip
        message = found(units_in_lines, make, captured([block.format(number) for number in ("0.85", "0.91", "1.25")]))
        assert ("1.25 kg, and it is read as" in message) != right, (unit, message)


def test_a_unit_that_is_not_known_is_not_read_as_the_known_one():
    lines = ["994.10 g", "2.19 lb"]
    make = described("{it:number} {:word}", "g")
    assert "'g' and 'lb' are beside it, and both are read alike" in found(units_in_lines, make, captured(lines))
    make = described("{it:number} {w:word}", "g", w={"units": {"g": "g", "lb": "453.59237 g"}, "unit_of": ["it"]})
    assert make().decode(b"2.00 lb") == (pytest.approx(907.18474),)
    assert not found(units_in_lines, make, captured(lines))


@pytest.mark.parametrize("shape", ["{} {}", "{}{}", "ST {};{};A", "{} [{}]"])
@pytest.mark.parametrize("word", ["g", "kg", "mPas", "C", "RPM"])
def test_a_unit_that_is_not_in_the_capture_must_not_be_read_as_the_one_in_it(shape, word):
    """The display is switched to another unit after the capture was made."""
    lines = [shape.format(number, word) for number in ("994.10", "995.25", "12.05")]
    code = unit_word(word)[0]
    literal = shape.format("{it:number}", word).replace("[", "[[").replace("]", "]]")
    listed = shape.format("{it:number}", "{w:letters}").replace("[", "[[").replace("]", "]]")
    units = {"units": {word: code}, "unit_of": ["it"]}
    states = {"means": {word: ""}, "others": "ignored"}
    for pattern, fields, right in (
        (literal, {}, True),
        (listed, {"w": units}, True),
        (listed, {"w": {"means": {word: ""}}}, True),
        (listed, {"w": states}, False),
        (listed.replace("w:", ":"), {}, False),
    ):
        message = found(units_in_lines, described(pattern, code, **fields), captured(lines))
        assert bool(message) != right, (pattern, fields, message)
        assert right or f"in the place of {word} is read as if it were in {word}" in message


def test_letters_of_a_state_are_no_units():
    """`A` and `V` are states of sentences in the style of NMEA 0183, `C` one of a thermometer."""
    lines = ["KS,1.234,A", "KS,1.235,A", "KS,,V"]
    make = described(
        "KS,{it:number},{w:letters}", "m", it={"special": {"": ""}}, w={"means": {"A": "", "V": "it: sensor"}}
    )
    with pytest.raises(NotApplicableError):
        units_in_lines(Case(make, make(), talk=transcribe(make(), captured(lines), "")))
    lines = ["20.1 F", "20.2 C"]
    make = described("{it:number} {w:letters}", "Cel", w={"means": {"C": "", "F": "it: calibration_overdue"}})
    assert not found(units_in_lines, make, captured(lines))


@pytest.mark.parametrize("tail", ["#C66F", "*5F", "#66C0", ";K1C"])
def test_letters_of_a_checksum_or_a_number_are_no_units(tail):
    """A checksum in hexadecimal may end with C or F, which are units of the channel's dimension elsewhere."""
    make = described("val {it:number} -{:word}", "Cel")
    assert not found_or_none(make, captured([f"val 32.676 -{tail}", f"val 32.677 -{tail}"]))


def test_a_comma_among_the_bytes_of_a_checksum_is_no_decimal_mark():
    """CRC-32 of the public catalogues, as `zlib` computes it; its bytes come behind ETX."""
    frames = [f"PRESSURE IN THE LINE {n / 100:.2f} kPa\x03".replace(".", ",").encode() for n in range(1, 2000)]
    sealed = [frame + zlib.crc32(frame).to_bytes(4, "big") for frame in frames]
    lines = [line for line in sealed if b"," in line[-4:] and not {10, 13, 2, 3} & {*line[-4:]}][:8]
    make = check_description({
        "format": 1, "kind": "made", "stream": {}, "decimal": "comma", "framing": {"begin": "\u0002"},
        "checksum": {"name": "crc-32", "written": "big_endian", "mark": "\u0003", "covers_mark": True},
        "channel": [{"name": "it", "unit": "kPa", "low": 0, "high": 100}],
        "line": {"reading": {"says": "reading", "pattern": "PRESSURE IN THE LINE {it:number} kPa"}},
    }).driver  # fmt: skip
    capture = Capture([Piece(i * S, "<", b"\x02" + line + b"\r\n") for i, line in enumerate(lines)])
    assert len(transcribe(make(), capture, "capture").readings) == len(lines) == 8
    (own,) = [finding for finding in check_driver(make, capture=capture).findings if finding.name == "units"]
    assert (own.outcome, own.message) == ("passed", "values are in the units of the lines (kPa)")


def found_or_none(make, capture):
    try:
        return found(units_in_lines, make, capture)
    except NotApplicableError:
        return ""


def test_the_first_instrument_of_this_kind_the_whole_way():
    """A balance that changes from g to kg at 1 kg: the file made of its capture, the display, and the wrong file."""
    lines = ["   994,10 g", "   999,90 g", "1,04867 kg", "1,32669 kg", "   812,00 g"]
    capture = captured(lines, [(0, "994,10 g"), (3, "1,32669 kg")])
    guess = guess_description("kiln-scale", capture, "kiln-scale.capture")
    made = check_description(tomllib.loads(guess.text)).driver
    assert not any("mean a fault" in point for point in guess.open_points)
    assert made().decode(b"1,2345 kg") == (pytest.approx(1234.5),)
    assert type(made().decode(b"1,2345 oz")).__name__ == "Reject"
    assert check_driver(made, capture=capture).passed
    wrong = described("{it:padded} {w:letters}", "g", decimal="comma", w={"means": {"g": "", "kg": ""}})
    failed = [f.name for f in check_driver(wrong, capture=capture).failed]
    assert {"units", "values shown"} <= set(failed)


@pytest.mark.parametrize(
    ("note", "right", "wrong"),
    [
        ("1,32669 kg", "", "the display showed"),
        ("1.3267 kg", "", "the display showed"),
        ("1326,69 g", "", "the display showed"),
        ("1326690 mg", "", "the display showed"),
        ("1,32669", "the display showed", ""),
        ("21,5 C", "no channel can be expressed in it", "no channel can be expressed in it"),
        ("2.92 lb", "unknown unit 'lb'", "unknown unit 'lb'"),
        ("1'326,69 g", "is not understood", "is not understood"),
        ("1.326,69 g", "is not understood", "is not understood"),
        ("-----", "is no number", "is no number"),
        ("OL", "is no number", "is no number"),
    ],
)  # fmt: skip
def test_notes_of_a_display_are_compared_with_their_unit_or_refused_by_name(note, right, wrong):
    capture = captured(["1.32669 kg"], [(0, note)])
    for make, wanted in (
        (described("{it:number} kg", "g", it={"unit": "kg"}), right),
        (described("{it:number} kg", "g"), wrong),
    ):
        message = found(values_shown, make, capture)
        assert (wanted in message) if wanted else not message


@pytest.mark.parametrize("written", SPELLINGS)
def test_every_spelling_of_a_unit_in_a_note_is_compared_with_the_value(written):
    """UCUM codes such as `/min` and symbols of our screens such as `min\u207b\u00b9` have signs that words do not have."""
    code, factor = unit_word(written)
    value = 12.5 / factor
    for shape in ("{} {}", "{}{}", "3.0 V  {} {}", "{} {}; 3.0 V"):
        note = shape.format(f"{value:.9g}", written)
        if note.startswith("12.51/"):
            continue  # a digit of the unit directly behind those of the number
        make = described("{it:number} {voltage:number}", code, "V")
        assert not found(values_shown, make, captured(["12.5 3.0"], [(0, note)])), note
        assert "the display showed" in found(values_shown, make, captured(["13.5 3.0"], [(0, note)])), note


@pytest.mark.parametrize(
    ("note", "unit", "outcome", "left"),
    [
        ("7.02 pH  25.0 V", "[pH]", "passed", ""), ("pH 7.02  25.0 V", "[pH]", "passed", ""),
        ("25.0 V 7.02", "[pH]", "passed", ""), ("7.02  25.0 V", "1", "passed", ""),
        ("pH 7.12  25.0 V", "[pH]", "failed", ""), ("7.12  25.0 V", "1", "failed", ""),
        ("pH 7.02  25.0 V  7.12", "[pH]", "failed", ""), ("pH 7.02  25.1 V", "[pH]", "failed", ""),
        ("pH7.02  25.0 V", "[pH]", "note", "pH7.02"), ("T1 25.0 V", "[pH]", "note", "T1"),
        ("7.02  25.0 V", "Cel", "note", "7.02"), ("7.12 25.0 V 3", "Cel", "note", "7.12, 3"),
        ("7.02  25.0", "Cel", "note", "25.0"), ("7.02", "Cel", "passed", ""), ("25.0 V", "Cel", "passed", ""),
    ],
)  # fmt: skip
def test_each_number_of_a_note_is_compared_or_named(note, unit, outcome, left):
    """A display shows an acidity or a count without a unit: a wrong one would pass beside a right voltage."""
    make = described("{it:number} {voltage:number}", unit, "V")
    case = Case(make, make(), talk=transcribe(make(), captured(["7.02 25.0"], [(0, note)]), "capture"))
    if outcome == "failed":
        with pytest.raises(DriverFaultError, match="the display showed"):
            values_shown(case)
        return
    own = values_shown(case)
    assert own.outcome == outcome, own
    assert own.message.endswith(f"with the display, {left} compared with no channel" if left else "with the display")


@pytest.mark.parametrize(("notes", "named"), [((0, 0), True), ((0, 12), False), ((12,), False)])
def test_a_channel_that_was_compared_at_zero_only_is_named(notes, named):
    """A speed of 0 is the same with every scale: a wrong one would agree with all notes of a motor at rest."""
    lines = ["0.0 3.0", "0.0 3.0", "12.0 3.0"]
    where = [(2 if number else i, f"{number}.0 /min  3.0 V") for i, number in enumerate(notes)]
    for scale in (1.0, 10.0):
        make = described("{it:number} {voltage:number}", "/min", "V", it={"scale": scale})
        report = check_driver(make, capture=captured(lines, where))
        (own,) = [finding for finding in report.findings if finding.name == "values shown"]
        assert own.message.endswith("with the display, it at 0 only") == named
        assert (own in report.failed) == (scale != 1.0 and not named)


@pytest.mark.parametrize(
    "note",
    [
        "12.5 g  3 rounds",
        "12.5 g 3/d",
        "12.5 g/100mL",
        "12.5 m\u207b\u00b3",
        "12.5 g^2",
        "1 234 g",
        "12 345.5 g",
        "1\u202f234 g",
    ],
)
def test_a_note_with_a_number_that_cannot_be_compared_is_refused(note):
    """The part of it that looks like a value would be compared, and the rest would be left out without a word."""
    for line in ("12.5", "234", "345.5", "1234"):
        message = found(values_shown, described("{it:number}", "g"), captured([line], [(0, note)]))
        assert "cannot be compared" in message, note


@pytest.mark.parametrize("note", ["-----", "OL", "Err", "-----\N{DEGREE SIGN}C", ""])
def test_a_display_without_a_number_needs_a_missing_value(note):
    lines = ["12.5 g", "----- g"]
    missing = described("{it:number} g", "g", it={"special": {"-----": "over_range"}})
    assert not found(values_shown, missing, captured(lines, [(1, note)]))
    assert not found(values_shown, described("{it:number} g", "g"), captured(lines, [(1, note)]))  # it refuses the line
    assert "is no number" in found(values_shown, missing, captured(lines[:1], [(0, note)]))


@pytest.mark.parametrize(
    ("fields", "key", "reason"),
    [
        ({"w": {"units": {"g": "g"}}}, "w.unit_of", "name the fields of the numbers"),
        ({"w": {"unit_of": ["it"]}}, "w.units", "give the UCUM code of each text"),
        ({"w": {"units": {"g": "g"}, "unit_of": ["that"]}}, "w.unit_of[0]", "is no field of this line"),
        ({"w": {"units": {"g": "g"}, "unit_of": ["w"]}}, "w.unit_of[0]", "is no field of this line"),
        ({"w": {"units": {"C": "Cel"}, "unit_of": ["it"]}}, "w.units.C", "cannot be expressed in g"),
        ({"w": {"units": {"g": "gram"}, "unit_of": ["it"]}}, "w.units.g", "is no UCUM code"),
        ({"w": {"units": {"g": "1e99 g"}, "unit_of": ["it"]}}, "w.units.g", "between 1e-30 and 1e+30"),
        ({"w": {"units": {"g": "g"}, "unit_of": ["it"]}, "it": {"unit": "kg"}}, "w.unit_of[0]", "has a unit of its own"),
        ({"w": {"units": {"g": "g"}, "unit_of": ["it", "it"]}}, "w.unit_of[0]", "another unit is given"),
    ],
)  # fmt: skip
def test_contradictions_of_units_are_named_by_key(fields, key, reason):
    with pytest.raises(SettingErrors) as caught:
        described("{it:number} {w:word}", "g", **fields)
    error = caught.value.errors[0]
    assert error.key == f"line.reading.fields.{key}"
    assert reason in error.reason


def test_a_unit_that_is_absent_refuses_the_line():
    make = described("{it:number}[ {w:word}]", "g", w={"units": {"g": "g", "kg": "kg"}, "unit_of": ["it"]})
    assert make().decode(b"1.5 kg") == (1500.0,)
    assert type(make().decode(b"1.5")).__name__ == "Reject"


def test_a_written_unit_is_read_as_it_is_written():
    assert written_unit("kg") == ("kg", 1.0)
    assert written_unit("453.59237 g") == ("g", 453.59237)


@pytest.mark.parametrize(("letter", "unit", "outcome"), [
    ("V", "mV", "note"), ("V", "V", "passed"), ("L", "mL", "note"), ("F", "Cel", "failed"), ("g", "kg", "failed"),
])  # fmt: skip
def test_a_capital_letter_before_a_number_is_its_name_or_its_unit(letter, unit, outcome):
    """A note names it; where the letter changes with the line, it is no name."""
    make = described(f"{letter} {{it:number}}", unit)
    report = check_driver(make, capture=captured([f"{letter} {i}.5" for i in range(11, 20)]), until_failed=True)
    assert report.finding("units").outcome == outcome
    assert report.finding("units").outcome != "note" or letter in report.finding("units").message


def test_a_letter_that_changes_is_no_name():
    make = described("{:word} {it:number}", "mV")
    report = check_driver(make, capture=captured([f"{letter} {i}.5" for i in range(11, 17) for letter in "VA"]))
    assert "unread" in [finding.name for finding in report.failed], report.text()
