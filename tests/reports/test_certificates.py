"""Certificates: what ISO/IEC 17025, 7.8, demands is on them, no internal name is, and wrong results have none."""

import json
import random
import re
import shutil
import sqlite3
import string
import sys

import pytest

from daq.adapters.store.records import found_by
from daq.app.laboratory.reporting import about_runs
from daq.app.laboratory.reporting.certificate_page import (
    CertificateFacts,
    certificate_page,
    internal_names,
    refusal,
    verified_words,
)
from daq.app.laboratory.reporting.measured_facts import ProductUsed, geometry_words
from daq.app.laboratory.reporting.page_blocks import WorksHead
from daq.app.screens.text import sentence
from daq.core.errors import SettingError, StoreError
from daq.laboratory.reports import Report, ShownResult
from daq.methods.concluding.reportable import Attempt
from daq.methods.parts.statement import state
from tests.reports.parts import configured, text_of

WORKS = WorksHead("Example Glaze Works", ("1 Example Lane",))


def attempt(data):
    origin = data["origin"]
    return Attempt(
        run=origin["run"], began=origin["began"], method="m 1", instrument=origin["instrument"], fill="1",
        value=data["value"], unit=data["unit"], validity=data["validity"], counted=False,
    )  # fmt: skip


def why_refused(data, run_state="ended"):
    try:
        return sentence(refusal(data, (attempt(data), data), run_state))
    except SettingError as error:
        return str(error)


def shown(data):
    return ShownResult(run=data["origin"]["run"], result="r", data="d", audit_number=3, audit_head="h")


def page_of(data, **more):
    given = CertificateFacts(
        of="G-1042", data=data, product=ProductUsed(id="clear-glaze"), shown=(shown(data),), **more
    )
    return certificate_page(given, WORKS, "2025-11-24", 0)


def texts(page):
    return json.dumps([page.title, page.subtitle, page.blocks, page.end], ensure_ascii=False)


def wrong(data, name):
    """Return a result that must not have a certificate."""
    changes = {
        "doubtful": {"validity": "doubtful"},
        "not valid": {"validity": "not_valid", "value": None},
        "annulled": {"faults": ["annulled"]},
        "in training": {"origin": data["origin"] | {"attribution": "not_authorised"}},
        "sheared": {"sample": data["sample"] | {"sheared": True}},
        "verification": {"verification": {"passed": True}},
        "no value": {"value": None},
    }
    return data | changes[name]


WORDS = {
    "doubtful": "doubtful",
    "not valid": "is not valid",
    "annulled": "annulled",
    "in training": "had no authorisation",
    "sheared": "sheared",
    "verification": "verification",
    "no value": "valid",
}


@pytest.mark.slow
@pytest.mark.parametrize("name", WORDS)
def test_a_wrong_result_has_no_certificate(lab, name):
    data = lab.newest(lab.runs[0])
    assert why_refused(data) == ""
    assert WORDS[name] in why_refused(wrong(data, name))


def test_a_run_that_goes_on_has_no_certificate(lab):
    data = lab.newest(lab.runs[0])
    assert "no result yet" in why_refused(data, "running")
    with pytest.raises(SettingError, match="no result yet"):
        refusal(None, (attempt(data), None), "ended")


def test_no_mixture_of_faults_has_a_certificate(lab):
    """All 127 mixtures of the wrong results are refused, and the right one only is not."""
    data = lab.newest(lab.runs[0])
    for mask in range(1 << len(WORDS)):
        mixed = data
        for i, name in enumerate(WORDS):
            mixed = wrong(mixed, name) if mask >> i & 1 else mixed
        assert bool(why_refused(mixed)) == bool(mask), mask


def test_a_certificate_has_what_the_standard_demands(lab):
    """ISO/IEC 17025, 7.8.2.1 (general), 7.8.3.1 (tests), 7.8.6 (statements of conformity)."""
    own = lab.runs[0]
    done, pdf = lab.certificate("G-1042", customer="Tile works, Kiln Street 2")
    words = re.sub(r"\s+", " ", text_of(pdf))
    data = lab.newest(own)
    for demanded in (
        "Certificate of measurement",  # a) title
        "Example Glaze Works", "1 Example Lane, Example Town",  # b), c) laboratory and location
        done["number"], "page 1 of 1",  # d) identification, end
        "Tile works, Kiln Street 2",  # e) customer
        f"{data['method']['id']}, version {data['method']['version']}",  # f) method
        "G-1042", "clear-glaze", "L7",  # g) item
        "Measured 2025-11-24",  # i) date of the test
        "Issued 2025-11-24",  # j) date of issue
        "relate only to the sample",  # l)
        "808 ± 22 mPa·s", "interval 786 to 830 mPa·s", "95 %",  # m) result with unit; 7.8.3.1 c) uncertainty
        "Authorised by: name, function, date",  # o)
        "20.00 min⁻¹", "24.98 °C",  # 7.8.3.1 a) conditions
        "Within the limits", "700 900", "simple acceptance (JCGM 106)", "risk of false acceptance",  # 7.8.6.2
    ):  # fmt: skip
        assert demanded in words, demanded


def test_no_internal_name_is_on_a_certificate(lab):
    run = lab.runs[1]
    data = lab.newest(run)
    names = internal_names(data)
    assert set(names) == {"m.keeper", "bench-1", "thermo-1", "rotational"}
    for of in (run, "G-1042"):
        _, pdf = lab.certificate(of)
        words = text_of(pdf)
        assert not [name for name in names if re.search(rf"(?<![\w.-]){re.escape(name)}(?![\w-])", words)]
        assert str(lab.lab.store.path.parent) not in words
        assert str(lab.lab.catalogue.folder) not in words
        assert data["origin"]["serial"] not in words


def test_no_statement_brings_an_internal_name_onto_a_certificate(lab):
    """Statements with generated names in any of their parameters: of persons, instruments and companions."""
    rng = random.Random(20251129)
    base = lab.newest(lab.runs[0])
    for _ in range(60):
        name = "".join(rng.choice(string.ascii_lowercase) for _ in range(6)) + rng.choice(["", "-3", ".n"])
        origin = base["origin"] | rng.choice([{"operator": name}, {"instrument": name}, {"companions": {name: None}}])
        warnings = [
            state("corrected_by", who=name, because="x", declaration="d"),
            state("corrected_by", who="r.viewer", because="x", declaration="d"),
            state("operator_not_authorised", operator=name, method="m"),
            state("declared_otherwise", name="operator", before=name, after="b"),
            state("wide_gap", radius_ratio=1.25, limit=1.2),
        ]
        rng.shuffle(warnings)
        free = {"code": "of_a_later_version", "text": f"see {name}: it was slow", "parameters": {}}
        data = base | {"origin": origin, "warnings": [*(w.model_dump(mode="json") for w in warnings), free]}
        found = texts(page_of(data))
        assert name not in found
        assert "r.viewer" not in found
        assert "radius ratio" in found


@pytest.mark.slow
def test_a_certificate_needs_the_name_of_its_laboratory(lab, tmp_path):
    own = configured(lab, tmp_path / "configuration")
    shutil.rmtree(own.lab.catalogue.folder / "reports")
    with pytest.raises(SettingError, match=r"reports/works.toml: a certificate names its laboratory"):
        own.do("certificate_release", of="G-1042")
    own.do("report_make", of="G-1042")


@pytest.mark.slow
def test_a_certificate_that_does_not_fit_is_refused_and_smaller_text_is_tried_before(lab):
    data = lab.newest(lab.runs[0])
    _, pdf = lab.certificate("G-1042", customer="Tile works " * 18)
    assert "Tile works" in text_of(pdf)
    from daq.app.laboratory.reporting.typesetting import typeset

    long = [{"code": f"c{i}", "text": f"{i}: {'the sample was thick. ' * 9}", "parameters": {}} for i in range(56)]
    page = page_of(data | {"warnings": long[:14]})
    assert typeset(page, page.digest)
    page = page_of(data | {"warnings": long})
    with pytest.raises(SettingError, match="does not fit on one page"):
        typeset(page, page.digest)


@pytest.mark.slow
def test_a_superseded_result_is_refused_by_its_id(lab):
    run = lab.runs[1]
    with lab.lab.reader() as reader:
        first = reader.newest_result(run).id
    lab.correct(run, lot="L9")
    with lab.lab.reader() as reader:
        newest = reader.newest_result(run).id
    with pytest.raises(SettingError, match=f"superseded; use the newest .*: {newest}"):
        lab.do("certificate_release", of=run, result=first)
    done = lab.do("certificate_release", of=run, result=newest)
    with lab.lab.reader() as reader:
        (stored,) = found_by(reader, Report.kind, "id", done["id"])
    assert [s["result"] for s in stored.data["shown"]] == [newest]


@pytest.mark.slow
def test_an_annulled_run_and_a_cancelled_sample_have_no_certificate(lab):
    lab.do("sample_add", id="G-1043")
    lab.do("sample_cancel", id="G-1043", because="spilled")
    for of in ("G-1043", lab.runs[1]):
        with pytest.raises(SettingError, match="cancelled: spilled"):
            lab.do("certificate_release", of=of)
    for run in (lab.runs[0], lab.runs[2]):
        with pytest.raises(SettingError, match="further results"):
            lab.do("certificate_release", of=run)
    for run in (lab.runs[0], lab.runs[2]):
        lab.do("run_annul", run=run, because="spilled")
        with pytest.raises(SettingError, match="the run is annulled"):
            lab.do("certificate_release", of=run)
    with pytest.raises(SettingError, match="sample G-1042 has no certificate"):
        lab.do("certificate_release", of="G-1042")
    assert lab.do("report_make", of=lab.runs[0])["title"] == "Record of a measurement"


def test_a_falsified_result_has_no_report(lab):
    database = sqlite3.connect(lab.lab.store.path)
    run = lab.runs[1]
    with database:
        database.execute("DROP TRIGGER IF EXISTS results_fixed")
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f'DROP TRIGGER "{name}"')
        database.execute("UPDATE results SET data = replace(data, '\"lot\"', '\"lut\"') WHERE run = ?", (run,))
    database.close()
    for act in ("certificate_release", "report_make"):
        with pytest.raises(StoreError, match="do not agree with the audit trail"):
            lab.do(act, of=run)


def test_without_its_library_a_report_names_the_extra(lab, monkeypatch):
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(SettingError, match=r"pip install 'daq-daemon\[reports\]'"):
        lab.do("certificate_release", of="G-1042")


def test_a_digest_changes_with_everything_that_is_shown(lab):
    data = lab.newest(lab.runs[0])
    page = page_of(data)
    assert page_of(data).digest == page.digest
    others = [
        page_of(data, customer="Tile works"),
        page_of(data | {"simulated": False}),
        page_of(data | {"sample": data["sample"] | {"lot": "L8"}}),
        page_of(data | {"unit": "Pa.s"}),
        page_of(data | {"verdict": data["verdict"] | {"verdict": "outside"}}),
    ]
    assert len({page.digest, *(p.digest for p in others)}) == 1 + len(others)


def counted_results(data, rng):
    """Return two or three results of one sample on generated benches, geometries and verifications."""
    out = []
    for _ in range(rng.choice((2, 3))):
        bench, geometry = rng.choice(("bench-1", "bench-3")), rng.choice(("coaxial-12", "coaxial-15"))
        verified = rng.choice((None, {"date": "2026-01-02", "passed": True}, {"date": "2026-02-03", "passed": True}))
        origin = data["origin"] | {"instrument": bench, "serial": f"R-{bench}"}
        named = data["geometry"] | {"name": geometry, "title": geometry}
        out.append(data | {"origin": origin, "geometry": named, "verified": verified})
    return out


def test_the_certificate_of_a_mean_states_the_verification_of_each_counted_result(lab):
    rng, data, seen = random.Random(12), lab.newest(lab.runs[0]), set()
    for _ in range(60):
        results = counted_results(data, rng)
        page = page_of(results[0], counted=tuple(results), how="mean of the results", sample="G-1042")
        rows = [row for block in page.blocks for row in block.get("rows", ())]
        stated = {row[0]: row[1] for row in rows if row[0].startswith("Instrument")}
        lines = {geometry_words(r) + "; " + verified_words(r) for r in results}
        seen.add(len(stated))
        if list(stated) == ["Instrument"]:
            assert len(lines) == 1
            assert stated["Instrument"] == verified_words(results[0])
            continue
        numbers = {n: text for head, text in stated.items() for n in re.findall(r"\d+", head)}
        assert set(numbers) == {str(n) for n in range(1, len(results) + 1)}
        for number, result in enumerate(results, 1):
            text, verified = numbers[str(number)], result["verified"]
            assert result["geometry"]["title"] in text
            assert ("passed" in text) == (verified is not None)
            assert ("no verification" in text) == (verified is None)
            assert verified is None or verified["date"] in text
        for bench in ("bench-1", "bench-3"):
            assert bench not in texts(page)
    assert seen == {1, 2, 3}


CAUTIONS = [state("heating", rise=n / 10) for n in range(1, 5)]
OWN_RECORDS = state("declared_otherwise", name="lot", before="L1", after="L2")


@pytest.mark.parametrize("seed", range(4))
def test_the_certificate_of_a_mean_has_the_cautions_lots_and_moments_of_all_counted_results(lab, seed):
    """A caution about the second result holds for the mean, too."""
    rng, data, alone = random.Random(seed), lab.newest(lab.runs[0]), 0
    for _ in range(20):
        results = []
        for number in range(rng.randint(1, 3)):
            warned = [s.model_dump(mode="json") for s in rng.sample([*CAUTIONS, OWN_RECORDS], rng.randint(0, 3))]
            about = {"lot": rng.choice(["L7", "L7", "L8", None]), "sampled_at": f"2025-11-2{number}T08:00+01:00"}
            origin = data["origin"] | {"began": f"2025-11-24T1{number}:00:00Z"}
            results.append(data | {"warnings": warned, "sample": data["sample"] | about, "origin": origin})
        page = page_of(results[0], counted=tuple(results), how="mean of the results", sample="G-1042")
        words = texts(page)
        cautions = {s.text for s in CAUTIONS}
        expected = {sentence(w) for r in results for w in r["warnings"]} & cautions
        assert {text for text in cautions if text in words} == expected
        assert OWN_RECORDS.text not in words
        rows = {row[0]: row[1] for block in page.blocks for row in block.get("rows", ())}
        lots = {r["sample"]["lot"] for r in results} - {None}
        assert set(rows.get("Lot", "").split(", ")) - {""} == lots
        assert [day in rows["Sampled"] for day in ("11-20", "11-21", "11-22")] == [len(results) > n for n in range(3)]
        assert f"1{len(results) - 1}:00" in rows["Measured"]
        alone += any(
            sentence(w) in expected for r in results[1:] for w in r["warnings"] if w not in results[0]["warnings"]
        )
    assert alone


def test_the_certificate_of_a_sample_takes_all_results_that_count(lab, monkeypatch):
    given = []
    page = about_runs.certificate_of_sample

    def kept(*arguments, **more):
        given.append(page(*arguments, **more))
        return given[-1]

    monkeypatch.setattr(about_runs, "certificate_of_sample", kept)
    lab.certificate("G-1042")
    (facts,) = given
    assert [d["origin"]["run"] for d in facts.counted] == [s.run for s in facts.shown]
    assert facts.counted
