"""Import of samples from CSV (RFC 4180), and the way back through an export."""

import csv
import io
import random

import pytest

from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.lists.importing import MOST_ERRORS, MOST_SAMPLES
from daq.app.laboratory.lists.sample_lists import COLUMNS, all_samples, rows
from daq.app.records.sheets.exporting import FORMULA_SIGNS, read_cell, safe_cell, write_csv
from daq.core.errors import SettingErrors
from daq.laboratory.samples import Sample
from tests.laboratory.parts import laboratory

GOOD = "id,product,lot,sampled_at,priority,retain,discard_on,rework_of,added\nG-1,clear-glaze,2211,2025-10-09T08:20+00:00,1,shelf 3,2027-03-31,,\nG-2,clear-glaze,2211,,,,,G-1,200 mL water\n"


def imported(lab, text, **more):
    return carry_out(lab, "sample_import", {"file": "samples.csv", "text": text} | more)


def stored(lab):
    with lab.reader() as reader:
        return [k.record for k in all_samples(reader)]


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("delimiter", [",", ";"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_file_in_any_usual_form_gives_the_same_samples(tmp_path, mark, delimiter, end):
    with laboratory(tmp_path) as lab:
        done = imported(lab, mark + GOOD.replace(",", delimiter).replace("\n", end))
        assert done["stored"]
        first, second = stored(lab)
        assert (first.id, first.product, first.priority, first.state) == ("G-1", "clear-glaze", 1, "open")
        assert (first.retained.place, first.retained.discard_on) == ("shelf 3", "2027-03-31")
        assert (second.rework.of, second.rework.added, second.priority) == ("G-1", "200 mL water", 5)
        with lab.reader() as reader:
            assert [e.what for e in reader.audit()] == ["sample_added", "sample_added"]


def test_a_preview_checks_and_stores_nothing(tmp_path):
    with laboratory(tmp_path) as lab:
        done = imported(lab, GOOD, preview=True)
        assert [s["id"] for s in done["samples"]] == ["G-1", "G-2"]
        assert not done["stored"]
        assert stored(lab) == []
        with pytest.raises(SettingErrors):
            imported(lab, GOOD.replace("clear-glaze", "clear-glase"), preview=True)


def test_all_errors_are_named_at_once_with_line_and_column_and_nothing_is_stored(tmp_path):
    text = (
        "id;product;sampled_at;priority;bench;discard_on;state\n"
        "G-1;clear-glaze;;;;;\n"
        "\n"
        '"G-2\n";clear-glaze;;;;;\n'
        "G-3;clear-glase;2099-01-01T00:00+00:00;12;bench-9;;\n"
        "G-1;;;;;;\n"
        "G-0;;;;;;\n"
        "G-4;;;;;2027-02-30;done\n"
        "G-5;;;;\n"
        ";;;;;;x\n"
    )
    with laboratory(tmp_path) as lab:
        carry_out(lab, "sample_add", {"id": "G-0"})
        with pytest.raises(SettingErrors) as caught:
            imported(lab, text)
        assert {e.file for e in caught.value.errors} == {"samples.csv"}
        assert sorted(e.key for e in caught.value.errors) == sorted([
                "line 6, column product", "line 6, column sampled_at", "line 6, column priority",
                "line 6, column bench", "line 7, column id", "line 8, column id", "line 9, column retain",
                "line 9, column state", "line 10", "line 11, column id", "line 11, column state",
        ])  # fmt: skip
        assert [s.id for s in stored(lab)] == ["G-0"]


@pytest.mark.parametrize(
    ("text", "key", "expected"),
    [
        ("", "line 1", "has no samples"),
        ("id,product\n", "line 1", "has no samples"),
        ("sample,id\nG-1,G-1\n", "line 1, column 1", "is no column of samples"),
        ("product\nclear-glaze\n", "line 1", "has no column 'id'"),
        ("id,lotto\nG-1,7\n", "line 1, column 2", "did you mean 'lot'"),
        ("id,lot,id\nG-1,7,G-1\n", "line 1, column 3", "is there twice"),
        ('id,lot\nG-1,"7\n', "line 2", "is no CSV"),
        ('id,lot\nG-1,"7"8\n', "line 2", "is no CSV"),
        ("id,lot\nG-1,7,8\n", "line 2", "has 3 cells, and the line of column names has 2"),
        ("id,lot\nG-1,7\nG-1,8\n", "line 3, column id", "is in line 2 already"),
        ("id,lot\nG-1,\x1b[31m\n", "line 2, column lot", "control character, U+001B"),
        ("id,lot\nG-1\x00,7\n", "line 2, column id", "control character, U+0000"),
        ("id,rework_of,added\nG-1,G-1,water\n", "line 2, column rework_of", "there is no sample 'G-1'"),
        ("id,rework_of,added\nG-1,G-2,water\nG-2,,\n", "line 2, column rework_of", "there is no sample 'G-2'"),
        ("id,rework_of,added\nG-1,,water\n", "line 2, column rework_of", "is missing"),
        ("id,lot\n" + "G-1," + "7" * 201 + "\n", "line 2, column lot", "more than 200 characters"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_refused_with_line_column_and_reason(tmp_path, text, key, expected):
    with laboratory(tmp_path) as lab:
        with pytest.raises(SettingErrors) as caught:
            imported(lab, text)
        assert [(e.file, e.key) for e in caught.value.errors] == [("samples.csv", key)]
        assert expected in caught.value.errors[0].reason
        assert stored(lab) == []


def test_a_file_has_bounds(tmp_path):
    lines = [f"G-{i},clear-glaze" for i in range(MOST_SAMPLES + 1)]
    with laboratory(tmp_path) as lab:
        with pytest.raises(SettingErrors, match=f"at most {MOST_SAMPLES}"):
            imported(lab, "\n".join(["id,product", *lines]))
        with pytest.raises(SettingErrors) as caught:
            imported(lab, "\n".join(["id,product", *(line.replace("clear", "dear") for line in lines[:-1])]))
        assert len(caught.value.errors) == MOST_ERRORS + 1
        assert f"and {MOST_SAMPLES - MOST_ERRORS} more" in str(caught.value)
        imported(lab, "\n".join(["id,product", *lines[:-1]]))
        assert len(stored(lab)) == MOST_SAMPLES


def test_a_quoted_cell_with_line_ends_counts_its_lines(tmp_path):
    with laboratory(tmp_path) as lab:
        with pytest.raises(SettingErrors) as caught:
            imported(lab, 'id,remark\nG-1,"a\nb\nc"\nG-2,ok\nG-3,\x07\n')
        assert [e.key for e in caught.value.errors] == ["line 2, column remark", "line 6, column remark"]


PIECES = ["G", "7", " ", ",", ";", '"', "'", "=", "+1", "-", "@", "ä", "釉", "|", "\\", "%00", "<b>", "=1+1", "'=x"]


def test_what_is_exported_is_imported_as_it_was_and_no_cell_is_a_formula(tmp_path):
    """Random texts of hostile pieces: a spreadsheet runs none, and the way back gives each of them again."""
    rng = random.Random(20)
    made = []
    for number in range(300):
        text = ["".join(rng.choice(PIECES) for _ in range(rng.randrange(0, 5))) for _ in range(4)]
        made.append(
            Sample(
                id=f"{rng.choice(['=', '@', 'G-', '+'])}{number}",
                lot=text[0],
                condition=text[1],
                received_by=text[2],
                remark=text[3],
            )
        )
    out = io.StringIO(newline="")
    write_csv(out, COLUMNS, rows(made))
    for line in list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))[1:]:
        for column in ("id", "lot", "condition", "received_by", "remark"):
            assert not line[column].lstrip(" ").startswith(FORMULA_SIGNS)
    with laboratory(tmp_path) as lab:
        imported(lab, out.getvalue())
        assert {s.id: s for s in stored(lab)} == {s.id: s for s in made}


def test_every_beginning_of_a_text_comes_back_exactly_and_no_cell_is_a_formula():
    """All texts that begin with two printable characters, and all that end with two."""
    printable = [chr(n) for n in range(0x20, 0x7F)] + ["\u00a0", "ä", "釉"]
    texts = [a + b + rest for a in printable for b in printable for rest in ("", "x", " ")]
    texts += [t[::-1] for t in texts] + ["", *printable]
    cells = [safe_cell(t) for t in texts]
    assert [c for c in cells if c.lstrip(" ").startswith(FORMULA_SIGNS)] == []
    assert [t for t, c in zip(texts, cells, strict=True) if read_cell(c) != t] == []
    # Twice: an export of what was imported is the same file.
    assert [c for c in cells if safe_cell(read_cell(c)) != c] == []


@pytest.mark.parametrize("typed", ["G-1", " G-1", "G-1 ", "\tG-1\n"])
def test_outer_space_of_a_file_that_a_person_wrote_is_left_out(typed):
    assert read_cell(typed) == "G-1"
    assert read_cell(" '=1 ") == "=1"
