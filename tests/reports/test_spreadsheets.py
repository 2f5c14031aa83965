"""CSV for spreadsheets: formulas are harmless (OWASP, CSV injection), and a decimal comma reads back."""

import csv
import io
import itertools

import pytest

from daq.app.records.sheets.exporting import safe_cell, write_csv

SIGNS = ["=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20"]
LEADS = ["", " ", "  ", "\u00a0", "\u3000", "\t", "\n", "\r", " \t"]


@pytest.mark.parametrize(("lead", "sign"), [*itertools.product(LEADS, SIGNS)])
def test_a_text_that_a_spreadsheet_could_run_begins_with_an_apostrophe(lead, sign):
    assert safe_cell(f"{lead}{sign}cmd|' /C calc'!A0").startswith("'")


@pytest.mark.parametrize("text", ["G-1042", "a=1", "", "12", "µ"])
def test_any_other_text_stays(text):
    assert safe_cell(text) == text


@pytest.mark.parametrize(("decimal", "delimiter"), [("point", ","), ("comma", ";")])
def test_numbers_read_back_bit_for_bit(decimal, delimiter):
    rows = [
        {"name": f"a{delimiter}b", "value": value, "count": count}
        for value, count in ((0.1, 1), (-1e-300, 2), (1234567.875, -3), (5e22, 0), (None, 7))
    ]
    out = io.StringIO(newline="")
    assert write_csv(out, ["name", "value", "count"], rows, decimal) == len(rows)
    found = list(csv.reader(io.StringIO(out.getvalue(), newline=""), delimiter=delimiter))[1:]
    mark = "," if decimal == "comma" else "."
    for (name, value, count), row in zip(found, rows, strict=True):
        assert name == row["name"]
        assert (None if value == "" else float(value.replace(mark, "."))) == row["value"]
        assert int(count) == row["count"]
        assert "." not in value or decimal == "point"
