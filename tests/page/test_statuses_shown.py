"""A value is never shown without its status: each screen has what `daq show` and `daq runs` say of the same run."""

import json
import re
from pathlib import Path
from typing import get_args

import pytest

import daq.page
from daq.app.cli.records.change_lines import RELEASES
from daq.core.context import CheckKind
from daq.laboratory.kinds import ReleaseState
from daq.page.shown.environment import environment, render
from daq.page.shown.results import shown_state
from daq.page.texts.texts import LANGUAGES, Texts
from tests.page.example_pages import CHOICES, FILTERS, bench_live, bench_view, frame
from tests.page.example_result import CHANGES_SINCE, DOUBT, HISTORY, RESULT
from tests.page.parsed import words

PACKAGE = Path(daq.page.__file__).parent
ROW = {
    "run": HISTORY["run"]["id"], "began": "2026-11-29T15:04:46Z", "began_utc_ns": 1_790_000_000_000_000_000, "sample": "WG-1042", "product": "white-glaze",
    "lot": "L1", "method_id": "white-glaze-qc", "method_version": "1", "instrument": "bench-2", "operator": "m.keeper", "state": "done", "outcome": "complete",
    "value": 812.0, "shown": "812", "expanded": 18.2, "unit": "mPa.s", "validity": "valid", "verdict": "within", "simulated": False, "corrected": False,
    "annulled": False, "release": None,
}  # fmt: skip
KEPT = {"name": "up-10", "seconds": 30.0, "speed": 10.0, "value": 790.0, "unit": "mPa.s", "n": 30, "quality": "Good", "faults": []}  # fmt: skip
SIGNED = HISTORY["signatures"][0] | {"meaning": "released", "state": "in_force"}


def listed(lang="en", **row):
    values = frame("/results", rows=[ROW | row], reached=None, absent=[], by_hand=[], **CHOICES, asked=FILTERS)
    return words("results.html", lang, **values)


def shown(lang="en", **history):
    run = HISTORY["run"] | {"simulated": False}
    return words("result.html", lang, **frame("/results/x", history=HISTORY | {"run": run} | history, entry={}))


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("release", get_args(ReleaseState))
def test_the_state_of_a_release_is_on_the_list_and_on_the_result(lang, release):
    t = Texts(lang)
    assert t.has(f"release.{release}")
    for text in (listed(lang, release=release), shown(lang, release=release, signatures=[])):
        assert t.code("release", release) in text
    others = {t.code("release", other) for other in get_args(ReleaseState) if other != release}
    assert not others & {t.code("release", release)}
    assert release in RELEASES


@pytest.mark.parametrize("lang", LANGUAGES)
def test_a_signature_that_is_withdrawn_or_suspended_does_not_read_as_a_release(lang):
    gone = Texts(lang)("release.withdrawn")
    assert gone not in shown(lang, signatures=[SIGNED], release="released")
    text = shown(lang, signatures=[SIGNED | {"state": "withdrawn"}], release=None)
    assert gone in text


@pytest.mark.parametrize("lang", LANGUAGES)
def test_a_simulated_value_is_marked_wherever_it_is_shown(lang):
    mark = Texts(lang)("frame.simulated")
    result = RESULT | {"simulated": True}
    about = {"link": {"daemon": True, "reason": ""}}
    for is_simulated in (False, True):
        live = bench_live(bench_view("verdict", result=result | {"simulated": is_simulated}))
        texts = {
            "list": listed(lang, simulated=is_simulated),
            "result": shown(lang, run=HISTORY["run"] | {"simulated": is_simulated}),
            "bench": words("bench.html", lang, **frame("/bench/bench-1", bench=live, refused="", stop="", **about)),
            "desk": words("desk.html", lang, **frame("/", benches=[live], **about)),
        }
        assert {name: mark in text for name, text in texts.items()} == dict.fromkeys(texts, is_simulated)


def test_a_list_marks_what_was_corrected_and_annulled():
    assert "corrected" in listed(corrected=True)
    annulled = listed(corrected=True, annulled=True, value=None, validity="not_valid")
    assert "ANNULLED" in annulled
    assert "corrected" not in annulled
    assert "ANNULLED" not in listed()


@pytest.mark.parametrize("lang", LANGUAGES)
def test_each_kept_value_has_its_quality_and_its_faults(lang):
    bad = KEPT | {"name": "up-20", "quality": "Bad", "faults": ["saturated"], "value": 640.0}
    low = KEPT | {"name": "up-5", "quality": "Uncertain_SensorNotAccurate", "faults": ["below_band"], "value": 801.0}
    values = frame("/results/x", history=HISTORY | {"result": RESULT | {"steps": [KEPT, bad, low]}}, entry={})
    rows = re.findall(r"<tr><td>up-\d+</td>.*?</tr>", render("result.html", lang, values))
    t = Texts(lang)
    for row, quality, has_fault in zip(rows, ("good", "bad", "uncertain"), (False, True, True), strict=True):
        assert t(f"quality.{quality}") in row
        assert ('class="number struck"' in row) is has_fault
        assert (f"{t(f'quality.{quality}')}: " in row) is has_fault


def test_a_result_of_a_run_that_did_not_end_as_planned_says_so():
    assert "INTERRUPTED" in shown(result=RESULT | {"outcome": "interrupted"})
    assert "corrected" in shown(results=[*HISTORY["results"], *HISTORY["results"]])
    assert "corrected" not in shown()


TEMPLATES = {path.name: path.read_text("utf-8") for path in (PACKAGE / "templates").rglob("*.html")}


@pytest.mark.parametrize("name", [n for n, text in TEMPLATES.items() if "entry_value(" in text])
def test_each_screen_with_values_of_runs_has_their_marks(name):
    text = TEMPLATES[name]
    assert text.count("entry_value(") == text.count("marks.about_run(") == text.count("marks.validity(")


@pytest.mark.parametrize("name", [n for n, text in TEMPLATES.items() if "marks.verdict(" in text])
def test_no_verdict_on_a_doubtful_value_looks_like_one_on_a_valid_value(name):
    calls = re.findall(r"marks\.verdict\((.*?)\) *\}\}", TEMPLATES[name])
    assert calls
    assert [call for call in calls if "validity" not in call] == []


def test_the_runs_of_a_sample_have_the_marks_of_the_list():
    made = environment().from_string(
        '{% import "work/fields.html" as w %}{% import "parts/marks.html" as marks %}{{ w.run_rows(t, marks, rows) }}'
    )
    text = made.render(t=Texts("en"), lang="en", rows=[ROW | {"simulated": True, "release": "release_withdrawn"}])
    assert "SIMULATED" in text
    assert "RELEASE WITHDRAWN" in text


@pytest.mark.parametrize("lang", LANGUAGES)
def test_a_result_that_disagrees_with_the_audit_trail_is_not_shown_as_valid(lang):
    t = Texts(lang)
    line = "results: value of r1 is 812, the audit trail has 790"
    for found in ([], [line]):
        values = frame("/results/x", history=HISTORY | {"disagreements": found}, entry={})
        text = render("result.html", lang, values)
        headline = text.partition('class="panel headline"')[2].partition("</section>")[0]
        assert (t("desk.result.do_not_use") in text, line in text) == (bool(found), bool(found))
        assert ("struck" in headline) is bool(found)
        assert ('class="word good"' in headline) is not bool(found)


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("kind", get_args(CheckKind))
@pytest.mark.parametrize(("passed", "word"), [(True, "passed"), (False, "failed"), (None, "not_decided")])
def test_a_verification_or_control_shows_whether_it_passed(lang, kind, passed, word):
    check = {"kind": kind, "fluid": "house-oil", "lot": "HO-3", "passed": passed}
    text = shown(lang, result=RESULT | {"verification": check})
    t = Texts(lang)
    named = t(f"desk.result.{kind}", fluid="house-oil", lot="HO-3")
    assert f"{named} {t(f'work.equipment.{word}')}" in text
    assert named not in shown(lang)


@pytest.mark.parametrize("lang", LANGUAGES)
def test_a_result_that_a_later_verification_put_in_doubt_says_so_and_its_verdict_is_in_brackets(lang):
    t = Texts(lang)
    sound, doubted = (shown(lang, doubts=doubts) for doubts in ([], [DOUBT]))
    within = t.code("verdict", RESULT["verdict"]["verdict"])
    for text, is_doubted in ((sound, False), (doubted, True)):
        assert (t("desk.result.in_doubt") in text) is is_doubted
        assert (t.sentence(DOUBT) in text) is is_doubted
    assert f"({within})" in doubted


@pytest.mark.parametrize("lang", LANGUAGES)
def test_an_annulled_run_is_marked_on_its_own_page(lang):
    t = Texts(lang)
    gone = {"value": None, "validity": "not_valid", "faults": ["annulled"], "reasons": []}
    text = shown(lang, result=RESULT | gone, results=CHANGES_SINCE["corrected"]["results"])
    assert t("desk.results.annulled") in text
    assert t("desk.results.corrected") not in text
    assert t("desk.results.annulled") not in shown(lang, results=CHANGES_SINCE["corrected"]["results"])


@pytest.mark.parametrize("what", CHANGES_SINCE)
def test_whatever_happens_to_a_result_changes_the_state_of_its_page(what):
    states = [
        shown_state(HISTORY | {"run": HISTORY["run"] | {"simulated": False}} | more)
        for more in ({}, CHANGES_SINCE[what])
    ]
    assert states[0] != states[1]
    assert shown_state(dict(HISTORY)) == shown_state(json.loads(json.dumps(HISTORY)))


@pytest.mark.parametrize("lang", LANGUAGES)
def test_runs_of_one_sample_in_one_plot_have_different_names_in_the_legend(lang):
    trend = {"name": "viscosity", "unit": "mPa·s", "seconds": [0.0], "values": [1.0]}
    first = ROW["began_utc_ns"]
    began = {"aaaaaaaa-1": first, "bbbbbbbb-2": first + 3600 * 10**9, "cccccccc-3": first + 3600 * 10**9}
    compared = [{"entry": ROW | {"run": run, "began_utc_ns": at}, "trend": trend} for run, at in began.items()]
    values = frame("/compare", compared=compared, named=list(began), refused=[], done="")
    legend = render("work/compare.html", lang, values).partition('<ul class="legend">')[2].partition("</ul>")[0]
    names = [re.sub(r"\s+", " ", re.sub("<[^>]+>", " ", one)).strip() for one in legend.split("</li>")[:-1]]
    assert len(set(names)) == len(began)
    assert all(ROW["sample"] in name for name in names)
