"""Numbers and foreign text on screens."""

import math

import pytest

from daq.app.records.sheets.exporting import safe_cell
from daq.app.screens.tables import table
from daq.app.screens.text import fixed, local_time, plain, shortened, span, utc_iso, width
from daq.quality.digits import number


@pytest.mark.parametrize(
    ("value", "digits", "expected"),
    [
        (812.43, 4, "812.4"),
        (99.996, 4, "100.0"),
        (0.0099996, 4, "0.01000"),
        (12345.6, 4, "12346"),
        (0.0, 4, "0"),
        (-0.0, 4, "0"),
        (-3.21987, 3, "-3.22"),
        (1.5e-7, 3, "1.50e-07"),
        (2.5e9, 3, "2.50e+09"),
        (None, 4, "-"),
        (math.nan, 4, "-"),
        (math.inf, 4, "-"),
    ],
)
def test_numbers(value, digits, expected):
    assert number(value, digits) == expected


def test_fixed_decimals():
    assert fixed(25.0, 2) == "25.00"
    assert fixed(None, 2) == "-"


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(0, "0 s"), (8.5, "8.5 s"), (45, "45 s"), (59.7, "1 min 00 s"), (125, "2 min 05 s"), (3780, "1 h 03 min")],
)
def test_lengths_of_time(seconds, expected):
    assert span(seconds) == expected


def test_moments(monkeypatch):
    # 1 234 567 890 s after 1970 is 2009-02-13T23:31:30Z (well known).
    assert utc_iso(1_234_567_890_123_456_789) == "2009-02-13T23:31:30.123Z"
    assert utc_iso(None) is None
    assert local_time(None) == "-"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("G-1041", "G-1041"),
        ("Glasur weiß, 25 °C", "Glasur weiß, 25 °C"),
        ("\x1b[31mred", r"\x1b[31mred"),
        ("a\nb\tc\rd", r"a\nb\tc\rd"),
        ("\x07\x00\x7f", r"\x07\x00\x7f"),
        ("\x9b2J", r"\x9b2J"),
        ("\u202eabc\u2066", r"\u202eabc\u2066"),
        ("zero\u200bwidth", r"zero\u200bwidth"),
        ("line\u2028end", r"line\u2028end"),
    ],
)
def test_foreign_text_is_made_harmless(text, expected):
    assert plain(text) == expected
    assert plain(text).isprintable()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("G-1041", "G-1041"),
        # The characters named by OWASP, "CSV Injection": = + - @, tab, carriage return (and line feed).
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("\r=1", "'\r=1"),
        ("\n=1", "'\n=1"),
        ("  =1", "'  =1"),
        ("a=1", "a=1"),
        ("'=1", "''=1"),
        ("' =1", "'' =1"),
        (" a", "' a"),
        ("'a", "'a"),
        ("", ""),
    ],
)
def test_cells_that_look_like_formulas_are_escaped(text, expected):
    assert safe_cell(text) == expected


def test_columns_stay_aligned_with_wide_and_combining_characters():
    text = table(["a", "b"], [["釉薬", "1"], ["e\u0301", "22"], ["long", "3"]], right=frozenset({1}))
    assert {width(line) for line in text.splitlines()} == {8}
    assert width("釉薬") == 4
    assert shortened("釉薬釉薬", 5) == "釉薬…"
    assert shortened("abc", 3) == "abc"
