"""The PDF files, read by other libraries: pypdf (structure), PDFium (text, rendering) and zxing-cpp (QR code).

No validator of PDF/A is used: structure and claims are compared with ISO 19005-2 and -3.
"""

import json
import re

import pytest

from tests.reports.parts import about, codes_of, configured, fonts_of, opened, pdfa_of, reader_of, text_of
from tests.support.runs.virtual_bench import StoredBench

ORDERS = {
    "certificate_release": {"of": "G-1042", "customer": "Tile works"},
    "report_make": {"of": "G-1042"},
    "report_day": {"day": "2025-11-24"},
    "report_chart": {"product": "clear-glaze", "last": 20},
}


def structure(pdf, *, part, attached, pages=None):
    """Check what ISO 19005 demands and what a library can see."""
    reader = reader_of(pdf)
    root = reader.trailer["/Root"]
    assert pdfa_of(pdf) == (part, "A")
    (intent,) = root["/OutputIntents"]
    assert intent["/S"] == "/GTS_PDFA1"
    assert len(intent["/DestOutputProfile"].get_data()) > 100
    fonts = fonts_of(pdf)
    assert fonts
    assert all(len(files) == 1 for files in fonts.values()), fonts
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert root["/Lang"] == "en"
    assert "/Encrypt" not in reader.trailer
    assert not any(key in root for key in ("/AA", "/OpenAction", "/AcroForm"))
    assert list(reader.attachments) == attached
    assert pages is None or len(reader.pages) == pages
    # The date of the metadata is that of the file's dictionary.
    date = reader.metadata.creation_date
    assert f"<xmp:CreateDate>{date:%Y-%m-%dT%H:%M:%S}Z</xmp:CreateDate>" in about(pdf)


def test_a_certificate_is_one_page_of_pdfa_without_attachment(lab):
    for of in (lab.runs[1], "G-1042"):
        _, pdf = lab.certificate(of, customer="Tile works")
        structure(pdf, part="2", attached=[], pages=1)
        assert b"/EmbeddedFile" not in pdf


def test_records_have_their_data_attached(lab):
    run = lab.runs[0]
    _, pdf = lab.pdf("report_make", of=run)
    structure(pdf, part="3", attached=["kept.csv", "record.json"])
    reader = reader_of(pdf)
    stored = json.loads(reader.attachments["record.json"][0])
    assert stored["result"] == lab.newest(run)
    with lab.lab.reader() as database:
        assert stored["kept"] == json.loads(json.dumps(database.kept(run)))
        assert [r["id"] for r in stored["results"]] == [r.id for r in database.results(run)]
    rows = reader.attachments["kept.csv"][0].decode().splitlines()
    assert len(rows) == 1 + len(stored["kept"])
    for file in reader.trailer["/Root"]["/AF"]:
        assert file["/AFRelationship"] == "/Source"
        assert file["/EF"]["/F"]["/Subtype"] in ("/application/json", "/text/csv")
    _, pdf = lab.pdf("report_make", of="G-1042")
    structure(pdf, part="3", attached=["sample.json"])
    sample = json.loads(reader_of(pdf).attachments["sample.json"][0])
    assert sample == {run: lab.newest(run) for run in (lab.runs[0], lab.runs[2])}


@pytest.mark.slow
def test_sheet_and_chart_are_pdfa(lab):
    for act, attached in (("report_day", "day.json"), ("report_chart", "chart.json")):
        _, pdf = lab.pdf(act, **ORDERS[act])
        structure(pdf, part="3", attached=[attached])


@pytest.mark.slow
@pytest.mark.parametrize("act", ORDERS)
def test_the_code_on_the_page_is_the_digest_and_simulated_is_across_it(lab, act):
    done, pdf = lab.pdf(act, **ORDERS[act])
    assert codes_of(pdf) == [done["id"].upper()]
    words = text_of(pdf)
    assert done["id"] in words.replace("\r\n", "")
    assert words.count("SIMULATED") > len(reader_of(pdf).pages)


@pytest.mark.slow
@pytest.mark.parametrize("act", ORDERS)
def test_the_same_record_gives_the_same_bytes(lab, measured, tmp_path, act):
    first, pdf = lab.pdf(act, **ORDERS[act])
    assert lab.pdf(act, **ORDERS[act]) == (first, pdf)
    with opened(measured, tmp_path / "again") as other:
        assert other.pdf(act, **ORDERS[act]) == (first, pdf)
    lab.lab.clock.now += 3 * 86_400 * 10**9
    try:
        # The day of issue is that of the first release.
        assert lab.pdf(act, **ORDERS[act]) == (first, pdf)
    finally:
        lab.lab.clock.now -= 3 * 86_400 * 10**9


HOSTILE = (
    '#panic("x")', '#eval("1+1")', "$x^2$", "*b* _i_ `r`", "= heading", "<label> @ref", "// gone", "/* gone", "\\",
    '#include "page.typ"', "]#[", '"quoted"', "https://glaze.example", "- item", "~", "--- ...", "'single'",
)  # fmt: skip


@pytest.mark.slow
def test_text_from_outside_is_text(lab, tmp_path):
    """Sources of Typst in a customer's name, the works' name and a note stay what they are."""
    own = configured(lab, tmp_path / "configuration")
    for number, text in enumerate(HOSTILE):
        file = own.lab.catalogue.folder / "reports/works.toml"
        file.write_text(f"name = {json.dumps(text)}\naddress = [{json.dumps(text)}]\n")
        _, pdf = own.certificate("G-1042", customer=text)
        found = text_of(pdf)
        assert found.count(text) == 3, (text, found)
        own.do("note_add", run=own.runs[1], text=f"{number}: {text}")
    _, pdf = own.pdf("report_make", of=own.runs[1])
    words = re.sub(r"\s+", " ", text_of(pdf))
    assert all(f"{number}: {text}" in words for number, text in enumerate(HOSTILE))


@pytest.mark.slow
def test_a_character_that_no_font_has_is_an_escape_and_one_in_full_is_shown(lab):
    _, pdf = lab.certificate("G-1042", customer="Ångström & Πύργος, 釉薬-7 \N{PILE OF POO} e\u0301")
    assert "Ångström & Πύργος, \\u91c9\\u85ac-7 \\U0001f4a9" in re.sub(r"\s+", " ", text_of(pdf))


def numbers_of(text):
    """Return the numbers in a text, without those that are parts of identifiers."""
    return re.findall(r"(?<![\w.-])\d+(?:\.\d+)*(?![\w-])", text)


def leaves(value):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(key)
            yield from leaves(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from leaves(inner)
    else:
        yield value


def is_stored(shown, numbers):
    """Return whether a shown number is a stored one, rounded to its last digit, in its unit or in percent."""
    digits = len(shown.partition(".")[2])
    zeros = 0 if digits else len(shown) - len(shown.rstrip("0"))
    tolerance = 0.5 * 10.0 ** (zeros if 0 < zeros < len(shown) else -digits) * (1 + 1e-9)
    return any(abs(abs(x) * scale - float(shown)) <= tolerance for x in numbers for scale in (1, 100))


#: Numbers in the words of every page: standards, coverage, page numbers, the name of the hash.
OF_WORDS = {"17025", "7.8.2.1", "7.8.2", "106", "101", "1", "2", "256", "7870"}


def foreign(words, data):
    """Return the numbers on a page that its stored data do not have."""
    values = list(leaves(data))
    numbers = [float(v) for v in values if isinstance(v, int | float) and not isinstance(v, bool)]
    texts = " ".join(v for v in values if isinstance(v, str))
    named = set(re.findall(r"\d+(?:\.\d+)*", texts)) | OF_WORDS
    return [n for n in numbers_of(words) if n not in named and (n.count(".") > 1 or not is_stored(n, numbers))]


def stored_of(lab, run, done):
    with lab.lab.reader() as reader:
        kept = reader.kept(run)
        audit = [e.seq for e in reader.audit()]
    product = lab.lab.catalogue.product("clear-glaze").model_dump(mode="json")
    works = (lab.lab.catalogue.folder / "reports/works.toml").read_text()
    # The counts of a page of a run are those of its stored lists.
    return [lab.newest(run), kept, audit, product, works, done]


def test_a_wrong_number_on_a_page_is_found(lab):
    run = lab.runs[1]
    done, pdf = lab.certificate(run)
    words = text_of(pdf)
    value = lab.newest(run)["reported"]
    stored = stored_of(lab, run, done)
    assert foreign(words, stored) == []
    # Random ids have digits, too: the wrong number is one that they do not have.
    wrong = next(str(n) for n in range(811, 1000) if foreign(str(n), stored))
    assert foreign(words.replace(value, wrong), stored) == [wrong]


@pytest.mark.slow
def test_every_number_on_a_page_is_stored(tmp_path):
    bench = StoredBench(tmp_path / "state")
    runs = [bench.measure(f"G-{1000 + i}", speed=speed) for i, speed in enumerate((5, 10, 20, 50, 100))]
    runs.append(bench.measure("G-2000", "engobe"))
    made = 0
    with opened((bench, runs), tmp_path / "copy") as lab:
        for geometry in ("coaxial-12", "coaxial-15"):
            for run in runs:
                if geometry != "coaxial-12":
                    lab.correct(run, geometry=geometry)
                done, pdf = lab.pdf("report_make", of=run)
                drawn = [json.loads(reader_of(pdf).attachments["record.json"][0])]
                words = re.sub(r"Figure 1\..*", "", text_of(pdf))
                # The numbers along the axes of the drawing are round ones.
                axes = numbers_of(words[: words.find("time since the start")].rpartition("quality")[2])
                found = [n for n in foreign(words, [*stored_of(lab, run, done), drawn]) if n not in axes]
                assert found == [], (run, found)
                if lab.newest(run)["validity"] == "valid":
                    done, pdf = lab.certificate(run)
                    assert foreign(text_of(pdf), stored_of(lab, run, done)) == []
                    made += 1
    assert made >= 6
