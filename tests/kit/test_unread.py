"""The kit refuses a description that leaves a part of a number, a state or a sign unread, and passes the right one."""

import pytest

from daq.descriptions.capture import Capture, Piece
from daq.descriptions.load import check_description
from daq.testing import check_driver
from daq.testing.conformance import CHECKS
from tests.support.captures import polled
from tests.support.planted.bad_lines import MISREAD, SIZES, VALUES, Misread

OTHERS = [name for name, _ in CHECKS if name != "whole numbers"]

COUNTED = Misread("counter", "", [b"%d 09:15:%02d M %.2f" % (i, i, v) for i, v in enumerate(VALUES)], "")


LEVEL = ("level", "m", 0, 1000)
BESIDE = [
    Misread("pans 2 and 3", "", [b"%d:%.2f" % (2 + i % 2, v % 50) for i, v in enumerate(SIZES)],
            "", '2:{mass:number}\n[line.other]\nsays = "reading"\npattern = "3:{mass:number}"'),
    Misread("numbers of a printer", "", [b"%d: %.2f g" % (i, v) for i, v in enumerate(SIZES)], "",
            "{:whole}: {mass:number} g"),
    Misread("small values of a printer", "", [b"%d: %.2f g" % (i, v % 50) for i, v in enumerate(SIZES)], "",
            "{:whole}: {mass:number} g"),
    Misread("plain numbers of a printer", "", [b"%d: %.2f" % (i, v) for i, v in enumerate(SIZES)], "",
            "{:whole}: {mass:number}"),
    Misread("a factor with lines of its own", "",
            [b"M %.2f x%d" % (v / 100, 10 ** (i % 3)) for i, v in enumerate(SIZES)], "",
            "M {mass:number} x1" + "".join(
                f'\n[line.times{n}]\nsays = "reading"\npattern = "M {{mass:number}} x{n}"\nfields.mass.scale = {n}.0'
                for n in (10, 100))),
    Misread("level in metres and its current", "", [b"L %d m %.1f mA" % (v, 4 + v / 60) for v in SIZES], "",
            "L {level:number} m {:number} mA", LEVEL),
    Misread("decimals of metres", "", [b"L %.2f m %.1f" % (v, 4 + v / 60) for v in SIZES], "",
            "L {level:number} m {:number}", LEVEL),
]  # fmt: skip
"""Lines with a number that is not read beside one that is, and both are no one value."""


def report_of(misread, own):
    return check_driver(check_description(misread.tables(own)).driver, capture=misread.capture)


def numbers_of(misread, own):
    """The report of the check of numbers alone."""
    make = check_description(misread.tables(own)).driver
    return check_driver(make, capture=misread.capture, left_out=frozenset(OTHERS))


@pytest.mark.parametrize("misread", MISREAD, ids=lambda m: m.name)
def test_a_description_that_leaves_something_unread_is_refused(misread):
    report = report_of(misread, misread.wrong)
    assert misread.check in [f.name for f in report.failed], report.text()
    assert report.finding(misread.check).do


@pytest.mark.parametrize("misread", [m for m in MISREAD if m.right], ids=lambda m: m.name)
def test_the_right_description_of_the_same_lines_passes(misread):
    report = report_of(misread, misread.right)
    assert report.passed, report.text()
    assert report.finding(misread.check).outcome == "passed", report.text()


@pytest.mark.parametrize("lines", BESIDE, ids=lambda m: m.name)
def test_a_number_beside_a_value_may_be_another_one(lines):
    finding = numbers_of(lines, lines.right).finding("whole numbers")
    assert finding.outcome == "passed", finding


ABOVE = ["", "+"]
"""Text in the place of the '-' where a number is not negative."""
UNITS = ["", " g", "g"]


def signed_behind(unit: str, gap: str, above: str) -> Misread:
    """Lines with a sign behind the number; the wrong description gives it no effect."""
    lines = [b"M %06.2f%s" % (abs(v), f"{unit}{gap}{'-' if v < 0 else above} K".encode()) for v in VALUES]
    start = f"M {{mass:number 6}}{unit}{gap}"
    states = f'{{state:text 1}} K\nfields.state.means = {{ "{above}" = "", "-" = "" }}' if above else "[-] K"
    return Misread(
        "sign behind", "whole numbers", lines, f"{start}{states}",
        f'{start}{above} K\n[line.below]\nsays = "reading"\npattern = "{start}- K"\nfields.mass.scale = -1.0',
    )  # fmt: skip


@pytest.mark.parametrize("above", ABOVE)
@pytest.mark.parametrize("gap", ["", " "])
@pytest.mark.parametrize("unit", UNITS)
def test_a_sign_behind_a_number_has_an_effect(unit, gap, above):
    """`M 012.50- K` was read as 12.5, and no check failed; a line of its own with a scale of -1 passes."""
    lines = signed_behind(unit, gap, above)
    wrong = numbers_of(lines, lines.wrong)
    assert [f.name for f in wrong.failed] == ["whole numbers"], wrong.text()
    assert "'-' behind" in wrong.finding("whole numbers").message
    right = numbers_of(lines, lines.right)
    assert right.finding("whole numbers").outcome == "passed", right.text()


def test_a_note_of_the_display_proves_that_a_sign_behind_a_number_is_a_trend():
    lines = signed_behind("", " ", "+")
    value = next(-v for v in reversed(VALUES) if v < 0)
    line = b"M %06.2f - K" % value
    capture = polled([(b"V?", own) for own in [*lines.lines, line]])
    noted = Capture([*capture.pieces, Piece(99_000_000_000, "=", b"%.2f g" % value)])
    make = check_description(lines.tables(lines.wrong)).driver
    for heard, outcome in ((capture, "failed"), (noted, "passed")):
        report = check_driver(make, capture=heard, left_out=frozenset(OTHERS))
        assert report.finding("whole numbers").outcome == outcome, report.text()


def test_a_dash_behind_all_numbers_is_no_sign():
    lines = Misread("flag", "", [b"M %.2f - %d" % (v, i) for i, v in enumerate(SIZES)], "")
    own = 'M {mass:number} {state:text 1} {:whole}\nfields.state.means = { "+" = "", "-" = "" }'
    assert numbers_of(lines, own).finding("whole numbers").outcome == "passed"


@pytest.mark.parametrize("scale", [1.0, 0.001])
@pytest.mark.parametrize("width", ["", " 6"])
@pytest.mark.parametrize(("before", "behind"), [("", ""), ("T ", " C"), ("1 ", "")])
def test_a_minus_that_is_a_fixed_text_makes_no_value_positive(before, behind, width, scale):
    """`T -012.50 C` was read as 12.5 where the capture has no other sign; a field with its sign passes, either way round."""
    form = f"{before}%07.2f{behind}" if width else f"{before}%.2f{behind}"
    lines = Misread("minus", "", [(form % -v).encode() for v in SIZES], "")
    digits, signed = f"{{mass:number{width}}}", f"{{mass:number{' 7' if width else ''}}}"
    scaled = "\nfields.mass.scale = "
    wrong = numbers_of(lines, f"{before}-{digits}{behind}{scaled}{scale}")
    assert "is read as a positive mass" in wrong.finding("whole numbers").message, wrong.text()
    right = [
        f"{signed}{behind}{scaled}{scale}",
        f"{signed}{behind}{scaled}-{scale}",
        f"-{digits}{behind}{scaled}-{scale}",
    ]
    for own in right:
        assert numbers_of(lines, f"{before}{own}").finding("whole numbers").outcome == "passed", own


def test_a_note_of_the_display_proves_that_a_dash_is_no_sign():
    lines = Misread("dash", "", [b"T -%.2f C" % v for v in SIZES], "")
    noted = Capture([*lines.capture.pieces, Piece(99_000_000_000, "=", b"%.2f g" % SIZES[-1])])
    make = check_description(lines.tables("T -{mass:number} C")).driver
    for heard, number in ((lines.capture, 0), (noted, 1)):
        report = check_driver(make, capture=heard, left_out=frozenset(OTHERS))
        assert ("is read as a positive" in report.text()) == (number == 0), report.text()


@pytest.mark.parametrize("field", ["{:word}", "{:text 1}", "{:letters}", "{:capitals}", "{:rest}"])
def test_a_text_that_is_not_read_and_never_changes_is_named_in_a_note(field):
    """`M 12.50 g N` of a capture with `N` alone: a line with `H` or `OL` would be a reading, too."""
    lines = Misread("state", "", [b"M %.2f g N" % v for v in SIZES], "")
    finding = report_of(lines, f"M {{mass:number}} g {field}").finding("unread")
    assert (finding.outcome, "'N'" in finding.message) == ("note", True), finding
    for own in ("M {mass:number} g N", "M {mass:number} g {s:word}\nfields.s.means = { N = '' }"):
        assert report_of(lines, own).finding("unread").outcome == "passed"


def test_minutes_are_found_in_a_capture_of_hours():
    """Minutes change slowly: the check takes lines from all parts of a long capture."""
    lines = [b"T %d:%04.1f" % divmod(v / 2, 60) for v in range(7200)]
    long = Misread("an hour", "", lines, "", channel=("efflux", "s", 0, 60))
    report = numbers_of(long, "T {:whole}:{efflux:number}")
    assert [f.name for f in report.failed] == ["whole numbers"], report.text()


def test_a_counter_and_a_time_of_day_are_named_in_a_note():
    finding = report_of(COUNTED, "{:whole} {:word} M {mass:number}").finding("unread")
    assert finding.outcome == "note"
    assert "'09:15:00'" in finding.message
    assert "{:whole} of line.value" in finding.message


def answers_of(address: str, field: str, request: str):
    """Return the report of the kit on answers with an address, of which `field` is the part of the pattern."""
    tables = Misread("bus", "", [], "").tables(f"@{field} M {{mass:number}} g")
    tables["request"]["read"]["send"] = request
    talk = [(request.encode() + b"\r\n", f"@{address} M {v:.2f} g".encode()) for v in VALUES]
    others = frozenset(name for name, _ in CHECKS if name != "unread")
    return check_driver(check_description(tables).driver, capture=polled(talk), left_out=others).finding("unread")


@pytest.mark.parametrize("address", ["7", "02", "A5"])
@pytest.mark.parametrize("kind", ["word", "text", "whole", "digits", "hex"])
def test_an_address_that_is_not_compared_is_refused(address, kind):
    """`@02 M 12.50 g` after `@02R`: with `@{:word} M ...`, the answer `@03 M 99.00 g` was a good reading too."""
    if address == "A5" and kind in ("whole", "digits"):
        address = "05"
    found = answers_of(address, f"{{:{kind}}}", f"@{address}R")
    assert found.outcome == "failed", found
    assert repr(address) in found.message
    # The text itself is right; a part that is not in the request is no address, nor are digits of a longer number.
    assert answers_of(address, address, f"@{address}R").outcome != "failed"
    assert answers_of(address, f"{{:{kind}}}", "R").outcome != "failed"
    assert answers_of(address, f"{{:{kind}}}", f"@{address}1R").outcome != "failed"


def test_a_number_that_may_mean_a_fault_is_named_in_a_note():
    marked = Misread("mark", "", [*(b"M %.2f" % v for v in VALUES), b"M 9999.99"], "", channel=("mass", "g", -1e4, 1e4))
    finding = report_of(marked, "M {mass:number}").finding("unread")
    assert finding.outcome == "note"
    assert "9999.99" in finding.message
    fault = 'M {mass:number}\nfields.mass.special = { "9999.99" = "over_range" }'
    assert report_of(marked, fault).finding("unread").outcome == "passed"


def test_ignored_lines_are_named_in_a_note():
    lines = [line for v in VALUES for line in (b"M %.2f" % v, b"E 05 OVERLOAD")]
    own = 'M {mass:number}\n[line.error]\nsays = "ignored"\npattern = "E {:text}"'
    finding = report_of(Misread("error", "", lines, ""), own).finding("unread")
    assert finding.outcome == "note"
    assert "E 05 OVERLOAD" in finding.message


@pytest.mark.parametrize("width", [2, 4])
def test_a_digit_of_a_status_without_a_meaning_is_no_part_of_a_number_that_is_not_read(width):
    """The bits of one digit are no faults, and those of another one are: the digits are no number."""
    first = 16 ** (width - 1)
    bits = {str(first << i): "unsteady" for i in range(4)} | {str(1 << i): "" for i in range(4)}
    tables = {
        "format": 1, "kind": "status", "poll": {"requests": ["read"]}, "request": {"read": {"send": "R"}},
        "framing": {"longest_pause": "200 ms"}, "channel": [{"name": "mass", "unit": "g", "low": -1000, "high": 1000}],
        "line": {"it": {"says": "reading", "pattern": f"M {{mass:number}} {{state:hex {width}}}",
                        "fields": {"state": {"bits": bits}}}},
    }  # fmt: skip
    lines = [b"M %.2f %0*d" % (v / 7, width, n % 3 == 0) for n, v in enumerate(SIZES)]
    report = check_driver(
        check_description(tables).driver,
        capture=polled([(b"R\r\n", line) for line in lines]),
        left_out=frozenset(OTHERS),
    )
    assert report.finding("whole numbers").outcome == "passed"
