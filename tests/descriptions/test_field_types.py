"""Every type of field reads back what a writer of this file makes: in every base, width, sign and decimal mark.

The writer builds digits from whole numbers, and the wanted value from fractions: it shares no code with the reader.
"""

import math
import re
import struct
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.driver import Reject, Values
from daq.core.errors import SettingError
from daq.descriptions.compose import Composer
from daq.descriptions.load import check_description
from daq.descriptions.types import HEX_BYTES, TYPES

QUICK, ALL = 25, 300
WEIGHTS = [1 << n for n in range(12)]
FAULTS = ("probe", "sensor", "saturated", "blocked", "over_range", "under_range")
WIDTHS = (0, 0, 12, 24)
NUMBERS = [name for name, kind in TYPES.items() if kind.gives == "number"]
TEXTS = [name for name, kind in TYPES.items() if kind.gives == "text"]


def driver(kind, width, mark, **table):
    place = f"{{it:{kind} {width}}}" if width else f"{{it:{kind}}}"
    return check_description({
        "format": 1, "kind": "made", "stream": {}, "decimal": "comma" if mark == "," else "point",
        "channel": [{"name": n, "unit": "1", "low": -1e99, "high": 1e99} for n in ("it", "other")[:1 + bool(table)]],
        "line": {"it": {"says": "reading", "pattern": f"<{place};>" + ("{other:number}" if table else ""), "fields": {"it": table} if table else {}}},
    }).driver()  # fmt: skip


def digits(draw, most):
    return "".join(draw(st.lists(st.sampled_from("0123456789"), min_size=1, max_size=most)))


@st.composite
def written(draw, kind, mark, width):
    """A number as an instrument of this type writes it, and its value."""
    room = 5 if width == 12 else 12
    if kind == "hex":
        value = draw(st.integers(0, 16 ** (room - 1) - 1))
        text = f"{value:{draw(st.sampled_from('xX'))}}".rjust(draw(st.integers(1, room)), "0")
        return text, Fraction(value)
    sign = draw(st.sampled_from(["", "+", "-"]))
    whole = digits(draw, min(room, 9))
    fraction = "" if kind in ("whole", "nr1") else digits(draw, 4)
    if kind in ("number", "padded", "scientific") and draw(st.booleans()):
        fraction = ""
    exponent = draw(st.integers(-40, 40)) if kind in ("nr3", "scientific") else 0
    value = Fraction(int(whole + fraction), 10 ** len(fraction)) * Fraction(10) ** exponent
    text = whole + (mark + fraction if fraction else "")
    if kind == "scientific" and fraction and int(whole) == 0 and draw(st.booleans()):
        text = mark + fraction
    if kind == "nr3":
        text += f"E{'-' if exponent < 0 else '+'}{abs(exponent):02d}"
    elif exponent:
        text += f"{draw(st.sampled_from('eE'))}{exponent}"
    blanks = " " * draw(st.integers(0, 3)) if kind == "padded" else ""
    inner = " " * draw(st.integers(0, 2)) if kind == "padded" and sign else ""
    return blanks + sign + inner + text, -value if sign == "-" else value


def placed(draw, text, width):
    """The text in a field of fixed width, at the left or at the right."""
    if not width:
        return text
    return text.rjust(width) if draw(st.booleans()) else text.ljust(width)


@pytest.mark.parametrize("examples", [QUICK, pytest.param(ALL, marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", NUMBERS)
def test_every_number_is_read_as_it_is_written(kind, examples):
    drivers = {(w, m): driver(kind, w, m) for w in set(WIDTHS) for m in ".,"}

    @settings(max_examples=examples, derandomize=True, deadline=None)
    @given(st.data(), st.sampled_from(WIDTHS), st.sampled_from(".,"))
    def read_back(data, width, mark):
        text, value = data.draw(written(kind, mark, width))
        if width and len(text) > width:
            return
        line = f"<{placed(data.draw, text, width)};>".encode()
        meaning = drivers[width, mark].decode(line)
        assert meaning == (pytest.approx(float(value), rel=1e-15),), line

    read_back()


@pytest.mark.parametrize("examples", [QUICK, pytest.param(ALL, marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", NUMBERS)
def test_every_bit_of_a_status_is_read_in_the_base_of_its_field(kind, examples):
    bits = {str(weight): FAULTS[i % len(FAULTS)] for i, weight in enumerate(WEIGHTS)}
    drivers = {(w, m): driver(kind, w, m, bits=bits) for w in set(WIDTHS) for m in ".,"}

    @settings(max_examples=examples, derandomize=True, deadline=None)
    @given(st.data(), st.sets(st.sampled_from(WEIGHTS)), st.sampled_from(WIDTHS), st.sampled_from(".,"))
    def read_back(data, chosen, width, mark):
        number = sum(chosen)
        text = {
            "hex": lambda: f"{number:{data.draw(st.sampled_from('xX'))}}".rjust(data.draw(st.integers(1, 6)), "0"),
            "nr2": lambda: f"{number}{mark}0",
            "nr3": lambda: f"{number}{mark}0E+00",
            "padded": lambda: f"  {number}",
        }.get(kind, lambda: f"{number:0{data.draw(st.integers(1, 6))}d}")()
        meaning = drivers[width, mark].decode(f"<{placed(data.draw, text, width)};>7".encode())
        wanted = {("", bits[str(weight)]) for weight in chosen}
        if not chosen:
            assert getattr(meaning, "values", None) == ((1, 7.0),), text
        assert set(meaning.faults) == wanted, text

    read_back()


@pytest.mark.parametrize("low", [0, 1, 2, 3, 1 << 10, (1 << 10) + 1])
@pytest.mark.parametrize("top", [0, 52, 53, 62, 63])
@pytest.mark.parametrize("kind", ["u64be", "u64le", "u64belw", "u64lehw"])
def test_low_bits_of_a_status_of_64_bits_are_read_beside_high_ones(kind, top, low):
    """A float of 64 bits has no bit 1 beside bit 2^63 (IEEE 754): the fault of the low bit would be hidden."""
    bits = {str(1 << top): "", "1": "probe", "2": "sensor", str(1 << 10): "saturated"}
    number = 1 << top | low
    wanted = {("", bits[str(1 << i)]) for i in range(64) if number >> i & 1 and bits[str(1 << i)]}
    for meaning in in_frame_and_in_digits(kind, {"bits": bits}, number):
        assert not isinstance(meaning, Reject)
        assert set(getattr(meaning, "faults", ())) == wanted
    means = {str(number): "probe", str(number ^ 1): "", str(number ^ 2): "sensor"}
    digits = {in_digits(kind, int(text)): fault for text, fault in means.items()}
    for other, fault in ((number, "probe"), (number ^ 1, None), (number ^ 2, "sensor"), (number ^ 4, "")):
        for meaning in in_frame_and_in_digits(kind, {"means": means}, other, {"means": digits}):
            if fault == "":
                assert isinstance(meaning, Reject)
            else:
                assert meaning == (7.0,) or meaning.faults == ((("", fault),) if fault else ()), meaning


def in_frame_and_in_digits(kind, table, number, of_digits=None):
    """Yield the meanings of a frame and of a line of hexadecimal digits with this number as a status."""
    digits = in_digits(kind, number)
    frames = check_description({
        "format": 1, "kind": "made", "stream": {}, "channel": [{"name": "other", "unit": "1", "low": 0, "high": 9}],
        "line": {"it": {"says": "reading", "bytes": f"AA 55 {{it:{kind}}} {{other:u8}}", "fields": {"it": table}}},
    }).driver()  # fmt: skip
    yield frames.decode(b"\xaa\x55" + bytes.fromhex(digits) + b"\x07")
    yield driver("hex", 16, ".", **(of_digits or table), bytes_as=kind).decode(f"<{digits};>7".encode())


@pytest.mark.parametrize("width", [0, 20])
@pytest.mark.parametrize(
    "digits",
    ["20000000000010", "A0000000000000", "3E999999999999", "200000000000011", "FFFFFFFFFFFFFFF", "3e9999999999999"],
)
def test_low_bits_of_a_status_in_many_hexadecimal_digits_are_read(digits, width):
    """Above 2^53, and digits that are decimal ones by themselves or have an E as a decimal number with exponent."""
    number = sum(int(digit, 16) * 16**i for i, digit in enumerate(reversed(digits.upper())))
    bits = {str(1 << i): FAULTS[i] if i < len(FAULTS) else "" for i in range(4 * len(digits))}
    read = driver("hex", width, ".", bits=bits, digits=len(digits)).decode
    wanted = {("", fault) for i, fault in enumerate(FAULTS) if number >> i & 1}
    assert set(getattr(read(f"<{digits.rjust(width)};>7".encode()), "faults", ())) == wanted
    read = driver("hex", width, ".", means={digits: "probe"}, digits=len(digits), others="sensor").decode
    for text, fault in ((digits, "probe"), (digits.swapcase(), "probe"), (f"{number ^ 1:X}", "sensor")):
        assert read(f"<{text.rjust(width)};>7".encode()).faults == (("", fault),), text
    read = driver("hex", width, ".", special={digits: "probe"}, digits=len(digits)).decode
    for text in (digits, digits.swapcase()):
        assert read(f"<{text.rjust(width)};>7".encode()).faults == (("it", "probe"),), text


ORDERS = {
    "be": range,
    "le": lambda size: range(size - 1, -1, -1),
    "belw": lambda size: [at ^ 1 for at in range(size - 1, -1, -1)],
    "lehw": lambda size: [at ^ 1 for at in range(size)],
}
"""Places of the bytes in the line, counted from the most significant one, for each order."""


def in_digits(kind, number):
    """Hexadecimal digits of a number in a type of frames of bytes, built from its bits."""
    letter, bits, order = re.fullmatch(r"([uisf])(\d+)(\w*)", kind).groups()
    bits = int(bits)
    if letter == "f":
        whole = int.from_bytes(struct.pack("<f" if bits == 32 else "<d", number), "little")
    elif letter == "s":
        whole = abs(number) + (number < 0) * 2 ** (bits - 1)
    else:
        whole = number % 2**bits
    pairs = [f"{whole >> bits - 8 * (at + 1) & 0xFF:02X}" for at in range(bits // 8)]
    return "".join(pairs[at] for at in ORDERS[order or "be"](bits // 8))


def numbers_of(kind):
    bits = int(re.search(r"\d+", kind)[0])
    top = 2 ** min(bits - 1, 52)
    whole = {"u": st.integers(0, 2 * top - 1), "i": st.integers(-top, top - 1), "s": st.integers(1 - top, top - 1)}
    return whole[kind[0]] if kind[0] in whole else st.floats(-(2.0**99), 2.0**99, width=bits)


@pytest.mark.parametrize("examples", [QUICK, pytest.param(ALL, marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", HEX_BYTES)
def test_the_digits_of_every_type_of_bytes_are_read_as_they_are_written(kind, examples):
    drivers = {width: driver("hex", width, ".", bytes_as=kind) for width in (0, 24)}

    @settings(max_examples=examples, derandomize=True, deadline=None)
    @given(st.data(), numbers_of(kind), st.sampled_from((0, 24)), st.booleans())
    def read_back(data, number, width, capitals):
        digits = in_digits(kind, number)
        digits = digits if capitals else digits.lower()
        meaning = drivers[width].decode(f"<{placed(data.draw, digits, width)};>7".encode())
        assert (
            meaning == Values((float(number), 7.0), ())
            or meaning == (float(number), 7.0)
            or (getattr(meaning, "values", None) == ((0, float(number)),))
        ), (digits, meaning)
        assert str(meaning).count("-0.0,") == 0
        short = drivers[width].decode(f"<{digits[1:]};>7".encode())
        assert isinstance(short, Reject), short
        composed = Composer(drivers[0]).line("it", {"it": float(number), "other": 7.0})
        assert digits.upper().encode() in composed or (kind[0] == "f" and number == 0)

    read_back()


@pytest.mark.parametrize("kind", [kind for kind in HEX_BYTES if kind[0] == "f"])
@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf, 1e300])
def test_digits_of_no_finite_number_are_refused_or_have_their_fault(kind, number):
    if abs(number) == 1e300 and "32" in kind:
        return
    digits = in_digits(kind, number)
    assert isinstance(driver("hex", 0, ".", bytes_as=kind).decode(f"<{digits};>7".encode()), Reject)
    named = driver("hex", 0, ".", bytes_as=kind, special={digits: "sensor"})
    assert [fault for _, fault in named.decode(f"<{digits};>7".encode()).faults] == ["sensor"]


@pytest.mark.parametrize("kind", [kind for kind in HEX_BYTES if kind[0] in "sf"])
def test_the_digits_of_a_negative_zero_may_mean_a_fault_and_zero_stays_a_value(kind):
    """An instrument may send the sign alone in place of a value (common practice, no source)."""
    zero = in_digits(kind, 0.0 if kind[0] == "f" else 0)
    negative = in_digits(kind[0].replace("s", "u") + kind[1:], -0.0 if kind[0] == "f" else 2 ** (4 * len(zero) - 1))
    for named in (negative, negative.lower()):
        read = driver("hex", 0, ".", bytes_as=kind, special={named: "sensor"}).decode
        assert read(f"<{zero};>7".encode()) in ((0.0, 7.0), Values((0.0, 7.0), ()))
        for digits in (negative, negative.lower()):
            assert [fault for _, fault in read(f"<{digits};>7".encode()).faults] == ["sensor"]


def test_a_state_in_the_bytes_of_a_number_is_found_by_its_digits_in_any_order():
    read = driver("hex", 0, ".", bytes_as="u16le", means={"0100": "probe", "0A00": ""}).decode
    assert [fault for _, fault in read(b"<0100;>7").faults] == ["probe"]
    assert not getattr(read(b"<0a00;>7"), "faults", ())
    assert isinstance(read(b"<0001;>7"), Reject)


@pytest.mark.parametrize(
    ("kind", "table", "reason"),
    [
        ("hex", {"bytes_as": "u16le", "means": {"1": "probe", "0000": ""}}, "the number has 4 digits"),
        ("hex", {"bytes_as": "f32be", "means": {"01": "probe"}}, "the number has 8 digits"),
        ("whole", {"bytes_as": "i16be"}, "is for the type hex"),
        ("hex", {"bytes_as": "i16be", "signed_bits": 16}, "given by `bytes_as`"),
        ("hex", {"bytes_as": "bcd"}, "no type of a number"),
        ("hex", {"bytes_as": "i16be", "special": {"FFF": "probe"}}, "the number has 4 digits"),
    ],
)
def test_a_wrong_key_for_hexadecimal_digits_is_refused(kind, table, reason):
    with pytest.raises(SettingError, match=reason):
        driver(kind, 0, ".", **table)


@pytest.mark.parametrize("kind", NUMBERS)
def test_a_number_that_means_a_fault_is_the_same_however_it_is_written(kind):
    spellings = {
        "hex": ("1f", "1F", "001F"), "nr2": ("31.0", "+31.0"), "nr3": ("31.0E+00", "+31.0E+00"),
        "scientific": ("31", "3.1e1", "+31."), "padded": ("31", " + 31"), "number": ("31", "+31", "031.0"),
    }.get(kind, ("31", "+31", "031"))  # fmt: skip
    made = driver(kind, 0, ".", means={spellings[0]: "probe"})
    for text in spellings:
        assert made.decode(f"<{text};>7".encode()).faults == (("", "probe"),), text


ZEROS = {
    "whole": ("0", "00", "+0"), "nr1": ("0", "000"), "nr2": ("0.0", "+0.00"), "nr3": ("0.0E+00", "0.00E-05"),
    "scientific": ("0", ".0", "0.00", "0E-5", "+0."), "padded": ("0", "0.00", "  0.0", " + 0"),
}  # fmt: skip
MINUS = {
    "whole": ("-0", "-00"), "nr1": ("-0", "-000"), "nr2": ("-0.0", "-0.00"), "nr3": ("-0.0E+00", "-0.00E-05"),
    "scientific": ("-0", "-.0", "-0.00", "-0E5", "-0."), "padded": ("-0", "-0.00", "   -0.0", " - 0.00"),
}  # fmt: skip


@pytest.mark.parametrize("entry", ["-0", "-0.00", "  -0.0 "])
@pytest.mark.parametrize("width", [0, 12])
@pytest.mark.parametrize("kind", [kind for kind in NUMBERS if kind != "hex"])
def test_a_negative_zero_in_text_means_its_fault_however_it_is_written(kind, width, entry):
    """A true zero stays a value, also where 0 is not 0 of the channel; as texts, because -0.0 is equal to 0.0."""
    zeros, minuses = ZEROS.get(kind, ("0", "0.00", "+0.0")), MINUS.get(kind, ("-0", "-0.00"))
    for mark in ".,":
        special = {entry.replace(".", mark): "probe"}
        plain, shifted, both = (
            check_description({
                "format": 1, "kind": "made", "stream": {}, "decimal": "comma" if mark == "," else "point",
                "channel": [{"name": "it", "unit": "1", "low": -1e3, "high": 1e3}],
                "line": {"it": {
                    "says": "reading", "pattern": f"<{{it:{kind}{f' {width}' if width else ''}}}>",
                    "fields": {"it": {"special": special | more, "offset": offset}},
                }},
            }).driver()
            for offset, more in ((0.0, {}), (2.5, {}), (0.0, {"0": "sensor"}))
        )  # fmt: skip
        assert ("decode" in vars(plain)) == (width == 0)
        for text in zeros + minuses:
            line = f"<{text.replace('.', mark).rjust(width)}>".encode()
            sign = text in minuses
            fault = Values((None,), (("it", "probe"),))
            assert str(plain.decode(line)) == str(fault if sign else (0.0,)), line
            assert str(shifted.decode(line)) == str(fault if sign else (2.5,)), line
            assert both.decode(line) == Values((None,), (("it", "probe" if sign else "sensor"),)), line


@pytest.mark.parametrize("entry", ["-999", "  -999", "- 999", " -  999 ", " 99", "  9.9E3 "])
@pytest.mark.parametrize("width", [0, 12])
@pytest.mark.parametrize("kind", ["number", "padded", "scientific"])
def test_blanks_around_a_number_that_means_a_fault_do_not_matter(kind, width, entry):
    """Nor those behind the sign of a padded number; in another type such a text is no number."""
    own, number = entry.strip(), f"{float(entry.replace(' ', '')):g}"
    lines = [number]
    if kind != "padded" and " " in own:
        lines = [entry]
    elif kind == "padded" and "E" not in own:
        lines += [own, " " + own, number.rjust(9), number.replace("-", "-   ")]
    made = driver(kind, width, ".", special={entry: "probe"})
    for text in lines:
        for content in (text.rjust(width), text.ljust(width)):
            assert getattr(made.decode(f"<{content};>7".encode()), "faults", ()) == (("it", "probe"),), content


@pytest.mark.parametrize("text", ["-1", "1.5", "1000"])
def test_a_status_that_is_no_sum_of_the_listed_weights_is_refused(text):
    made = driver("number", 0, ".", bits={"1": "probe", "2": "sensor"})
    assert isinstance(made.decode(f"<{text};>7".encode()), Reject)


LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
CHARACTERS = {
    "letters": LETTERS + LETTERS.lower(), "capitals": LETTERS, "word": LETTERS + "0123456789+-*#/%=:,.!",
    "text": LETTERS + "0123456789 +-*#/%=:,.!", "digits": "0123456789",
}  # fmt: skip


@pytest.mark.parametrize("examples", [QUICK, pytest.param(ALL, marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", TEXTS)
def test_every_text_is_read_as_it_is_written(kind, examples):
    tables = {
        "format": 1, "kind": "made", "poll": {"requests": ["it"]}, "identify": "who",
        "request": {"it": {"send": "I"}, "who": {"send": "W"}},
        "channel": [{"name": "it", "unit": "1", "low": 0, "high": 1}],
        "line": {"it": {"says": "reading", "pattern": "I{it:number}"}},
    }  # fmt: skip
    drivers = {
        width: check_description(
            {
                **tables,
                "line": {
                    **tables["line"],
                    "who": {
                        "says": "identity",
                        "pattern": f"W<{{x:{kind}{f' {width}' if width else ''}}};>{{serial:word}}",
                    },
                },
            }
        ).driver()
        for width in set(WIDTHS)
    }

    @settings(max_examples=examples, derandomize=True, deadline=None)
    @given(st.data(), st.text(CHARACTERS[kind], min_size=1, max_size=11), st.sampled_from(WIDTHS))
    def read_back(data, text, width):
        line = f"W<{placed(data.draw, text, width)};>S1".encode()
        meaning = drivers[width].decode(line, drivers[width].identify())
        assert meaning.identity.facts["x"] == text.strip(" "), line

    read_back()


def test_every_letter_of_a_status_has_its_own_meaning():
    made = driver("capitals", 0, ".", means={"A": "", "B": "probe", "C": "sensor"}, each_letter=True)

    @settings(max_examples=QUICK, derandomize=True, deadline=None)
    @given(st.text("ABCD", min_size=1, max_size=6))
    def read_back(text):
        meaning = made.decode(f"<{text};>7".encode())
        if "D" in text:
            assert isinstance(meaning, Reject)
        else:
            faults = getattr(meaning, "faults", ())
            assert {fault for _, fault in faults} == {f for c, f in (("B", "probe"), ("C", "sensor")) if c in text}

    read_back()


def test_a_saturated_torque_is_not_valid():
    """Status 10 in hexadecimal is bit 16, not bits 2 and 8."""
    made = driver("hex", 0, ".", bits={"16": "saturated", "1": "unsteady"})
    (meaning,) = [made.decode(b"<10;>97.5")]
    assert meaning.faults == (("", "saturated"),)
    assert not isinstance(meaning, Values) or None in meaning.values
