"""The screens of the desk over a database: whole, within the policy, and short enough to be read."""

import pytest

from daq.page.shown.environment import render
from daq.page.shown.work import compared_groups, due_first, pairs, run_values, sample_values
from daq.page.texts.texts import LANGUAGES, Texts
from tests.page.example_desk import desk_screens
from tests.page.parsed import elements
from tests.support.runs.full_database import make_full_database

MOST_ROWS = 60
"""Rows of tables that a screen shows without a touch; with 48 px a row that is about three screens."""


@pytest.fixture(scope="module")
def screens(tmp_path_factory):
    return desk_screens(make_full_database(tmp_path_factory.mktemp("state")))


@pytest.mark.slow
@pytest.mark.parametrize("lang", LANGUAGES)
def test_every_screen_of_the_desk_is_whole_and_within_the_policy(screens, lang):
    assert len({seen["template"] for _, _, seen in screens}) >= 20
    for name, _, seen in screens:
        text = render(seen["template"], lang, seen["values"])
        page = elements(text)
        assert page.problems == [], name
        assert [i for i, n in page.ids.items() if i and n > 1] == [], name
        assert sum(n for (tag, *_), n in page.found.items() if tag == "h1") == 1, name
        assert text.partition("<details")[0].count("<tr>") <= MOST_ROWS, name
        assert text.count('method="post"') <= text.count('name="csrf"'), name


def test_functions_of_the_templates():
    assert pairs(["a", "b"], "gone") == [("a", "a"), ("b", "b"), ("gone", "gone")]
    sample = {"id": "G-1", "product": "x", "priority": 5, "retained": {"place": "shelf", "discard_on": None}}
    shown = sample_values(sample)
    assert (shown["priority"], shown["retain"], shown["discard_on"], shown["lot"]) == ("5", "shelf", "", "")
    assert run_values({"run": {"sample": "G-1"}, "result": None})["geometry"] == ""
    piece = {"in_service": True, "calibration_overdue": False, "verification_overdue": False}
    given = [
        piece | {"piece": "a"},
        piece | {"piece": "b", "verification_overdue": True},
        piece | {"piece": "c", "in_service": False},
    ]
    assert [p["piece"] for p in due_first(given)] == ["c", "b", "a"]
    trend = {"name": "viscosity", "unit": "Pa·s", "seconds": [0.0], "values": [1.0]}
    runs = [
        {"entry": {"run": n, "sample": n, "began_utc_ns": 0}, "trend": t}
        for n, t in (("a", trend), ("b", None), ("c", trend | {"unit": "mPa·s"}), ("d", trend))
    ]
    assert [[r["run"] for r in group["runs"]] for group in compared_groups(runs)] == [["a", "d"], ["c"]]


@pytest.mark.slow
@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("count", [0, 1, 3])
def test_the_case_names_each_run_that_a_correction_gave_to_another_lot(screens, lang, count):
    template, values = next((seen["template"], seen["values"]) for name, _, seen in screens if name == "desk-lot")
    correction = {"changes": [{"name": "lot", "before": "L6", "after": "L7"}], "who": "b.lind", "because": "mistyped"}
    doubt = {"code": "verification_failed_after", "text": "x", "params": {"verification": "v", "instrument": "b"}}
    one = values["case"]["runs"][0] | {"lot": "L7", "corrections": [correction], "doubts": [doubt], "notes": []}
    moved = [one | {"sample": f"moved-{i}", "run": f"run-{i}"} for i in range(count)]
    text = render(template, lang, values | {"case": values["case"] | {"moved": moved}})
    t = Texts(lang)
    assert (t("work.lot.moved", count=count) in text) is bool(count)
    assert text.count(t("work.lot.moved_to", lot="L7")) == count
    for run in moved:
        assert f'<a href="/results/{run["run"]}">{run["sample"]}</a>' in text
        # Correction and doubt are those of any run of the lot.
        assert text.count(f"{run['sample']}: ") == 2
    assert text.count("mistyped") == count


@pytest.mark.slow
@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("count", [10, 11, 25])
def test_each_cut_list_of_a_lot_states_above_it_how_many_earlier_entries_are_missing(screens, lang, count):
    template, values = next((seen["template"], seen["values"]) for name, _, seen in screens if name == "desk-lot")
    check = {"run": "run-1", "time": 1, "passed": True}
    change = {
        "at": 1,
        "piece": "bench-1",
        "what": "equipment_calibrated",
        "calibration": {"found": "outside"},
        "because": "",
        "who": "x",
    }
    own = {"instrument": "bench-1", "verification_before": None, "verification_after": None}
    t = Texts(lang)
    for name, entries, sentence, after in (
        ("verifications_between", [check] * count, "work.lot.earlier_verifications", "<dl"),
        ("equipment", [change] * count, "work.lot.earlier_changes", '<ul class="statements">'),
    ):
        one = own | {"verifications_between": [], "equipment": []} | {name: entries}
        text = render(template, lang, values | {"case": values["case"] | {"instruments": [one]}})
        text = text.partition("<h2>bench-1</h2>")[2]
        place = text.find(t(sentence, count=count - 10))
        assert (place >= 0) is (count > 10)
        assert place < text.index(after)
