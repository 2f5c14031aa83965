"""Cups of the bath on the page: each stage shows those that the terminal shows, with the time that they need."""

import re
from dataclasses import replace

import pytest

from daq.app.screens.bench.bench_lines import bench_lines
from daq.app.screens.bench.bench_view import CupShown, ListedSample
from daq.page.shown.benches import bath_rows
from daq.page.texts.texts import LANGUAGES, Texts
from tests.page.example_pages import RUN, STAGES, bench_live, bench_view, frame
from tests.page.parsed import words

CUPS = (CupShown("B-1", 240.0), CupShown("B-2", 1860.0))
LISTED = (
    ListedSample("E-1", "clear-glaze", enter_now=True, bath_s=1800.0),
    ListedSample("B-2", "clear-glaze", in_bath_s=1860.0, bath_s=1800.0),
)


def made(stage, **more):
    return bench_view(stage, **({"cups": CUPS, "worklist": LISTED, "sample": "G-1042"} | more))


def page(view, lang="en"):
    live = bench_live(view, RUN if view.stage == "running" else None)
    about = {"link": {"daemon": True, "reason": ""}, "refused": "", "stop": ""}
    return words("bench.html", lang, **frame("/bench/bench-1", paired="bench-1", bench=live, **about))


def terminal(view):
    lines = bench_lines(view, RUN if view.stage == "running" else None, "", 100, 60)
    return "\n".join("".join(text for text, _ in line) for line in lines)


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_that_shows_the_bath_in_the_terminal_shows_it_on_the_page(stage, lang):
    view, t = made(stage), Texts(lang)
    drawn, shown = terminal(view), page(view, lang)
    has_bath = stage in ("choosing", "bathing", "resting", "starting", "running")
    assert ("into the bath now: E-1" in drawn) is has_bath
    assert ("in the bath: B-1 (4 min)" in drawn) is has_bath
    assert (t("bench.choosing.into_bath") in shown) is has_bath
    assert (t("bench.choosing.cup", sample="B-1", minutes=4) in shown) is has_bath


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("stage", ["running", "resting"])
@pytest.mark.parametrize(("minutes", "is_over"), [(0, False), (29, False), (30, True), (31, True)])
def test_a_cup_whose_time_in_the_bath_is_over_says_so(lang, stage, minutes, is_over):
    t = Texts(lang)
    listed = (replace(LISTED[1], in_bath_s=60.0 * minutes),)
    shown = page(made(stage, cups=(CupShown("B-2", 60.0 * minutes),), worklist=listed), lang)
    assert t("bench.choosing.cup_of", sample="B-2", minutes=minutes, needed=30) in shown
    assert (t("bench.choosing.bath_over") in shown) is is_over


def test_without_cups_a_run_has_no_line_for_them():
    t = Texts("en")
    shown = page(made("running", cups=(), worklist=()))
    assert not re.search(f"{t('bench.choosing.bath')}|{t('bench.choosing.into_bath')}", shown)


def test_the_cup_that_is_longest_in_the_bath_comes_first():
    view = {"worklist": [], "cups": [{"sample": s, "in_bath_s": t} for s, t in (("a", 1.0), ("b", 130.0), ("c", 60.0))]}
    assert [(row["sample"], row["minutes"], row["needed"]) for row in bath_rows(view)] == [("b", "2", None), ("c", "1", None), ("a", "0", None)]  # fmt: skip


@pytest.mark.parametrize("needed_s", [20.0, 60.0, 90.0, 100.0, 1800.0])
def test_no_time_in_the_bath_is_over_with_fewer_minutes_than_needed(needed_s):
    for tenths in range(round(needed_s * 10) + 20):
        listed = [{"sample": "a", "in_bath_s": tenths / 10, "bath_s": needed_s}]
        (row,) = bath_rows({"worklist": listed, "cups": listed})
        assert float(row["needed"]) > 0
        assert row["over"] is (tenths / 10 >= needed_s)
        assert not row["over"] or float(row["minutes"]) >= float(row["needed"])
        assert row["over"] or float(row["minutes"]) <= float(row["needed"])


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize(
    ("in_bath_s", "needed_s", "shown"),
    [
        (84.0, 90.0, ("1.4", "1.5")),
        (90.0, 90.0, ("1.5", "1.5")),
        (119.0, 120.0, ("1", "2")),
        (20.0, 20.0, ("0.3", "0.3")),
    ],
)
def test_the_list_of_samples_shows_the_minutes_of_the_bath_list(lang, in_bath_s, needed_s, shown):
    listed = (replace(LISTED[1], in_bath_s=in_bath_s, bath_s=needed_s),)
    text = page(made("choosing", cups=(CupShown("B-2", in_bath_s),), worklist=listed), lang)
    minutes, needed = shown
    assert Texts(lang)("bench.choosing.in_bath", minutes=minutes, needed=needed) in text
    assert Texts(lang)("bench.choosing.cup_of", sample="B-2", minutes=minutes, needed=needed) in text
