"""Words and figures of the page: stop rules in each language, digits, states of a bench, verdicts."""

import re
from importlib.resources import files

import pytest

from daq.adapters.clock import utc_text
from daq.app.records.equipment_state import OutOfService
from daq.app.records.pieces import Piece
from daq.app.screens.bench.bench_view import OLD_S
from daq.laboratory.equipment import Equipment
from daq.page.shown.benches import (
    bench_kind,
    command_words,
    in_doubt,
    reading_amount,
    rule_words,
    stage_words,
)
from daq.page.shown.equipment import due_words, out_words
from daq.page.shown.figures import DASH, amount, entry_value, limit_range, risk
from daq.page.shown.refused import message_words
from daq.page.shown.results import verdict_kind
from daq.page.texts.texts import LANGUAGES, Texts
from tests.page.example_pages import RUN, bench_live, bench_view

EN, KO = Texts("en"), Texts("ko")


@pytest.mark.parametrize(
    ("rule", "korean"),
    [
        ("elapsed ≥ 60 s", "경과 시간 ≥ 60 s"),
        ("torque ≤ 5 % for 10 s", "토크 ≤ 5 % (10 s 동안)"),
        ("torque ≥ 99 % for 2 rev", "토크 ≥ 99 % (2 rev 동안)"),
        ("temperature 24.5 to 25 °C for 10 s", "온도 24.5 ~ 25 °C (10 s 동안)"),
        ("viscosity steady within 1 % over 20 s", "점도 안정: 20 s 동안 1 % 이내"),
        ("temperature in band", "온도: 범위 안"),
        ("stress fell", "stress fell"),
    ],
)
def test_a_stop_rule_is_shown_in_each_language(rule, korean):
    assert rule_words(EN, {"rule": rule}) == rule
    assert rule_words(KO, {"rule": rule}) == korean


def test_digits_and_bounds():
    assert amount(None, "Pa") == "\N{EN DASH}"
    assert amount(25.004, "Cel", 2) == "25.00 °C"
    assert amount(6.512, "[pH]") == "6.512"
    assert [risk(p, EN) for p in (None, 1e-9, 0.0123, 0.99999)] == [
        "\N{EN DASH}",
        "below 0.01 %",
        "1.2 %",
        "above 99.99 %",
    ]
    assert risk(1e-9, KO) == "0.01 % 미만"
    assert limit_range({"low": None, "high": 900.0, "unit": "mPa.s"}, KO) == "900 이하 mPa·s"
    assert entry_value({"value": 1.0, "shown": "812", "expanded": 18.2, "unit": "mPa.s"}) == "812 ± 18 mPa·s"


def test_the_kind_of_a_bench_shows_the_worst_first():
    choosing = bench_view("choosing")
    assert bench_kind(bench_live(choosing)) == "free"
    assert bench_kind(bench_live(None)) == "lost"
    assert bench_kind(bench_live(bench_view("checking"))) == "waits"
    assert bench_kind(bench_live(bench_view("running"), RUN)) == "run"
    assert bench_kind(bench_live(bench_view("choosing", out_of_service="dented"))) == "out"
    assert bench_kind(bench_live(bench_view("choosing", out_of_service="dented", connection="connecting"))) == "lost"
    assert bench_kind(bench_live(bench_view("running", connection="connecting"), RUN, motor="in_doubt")) == "turning"


def test_a_motor_in_doubt_is_shown_until_it_is_known_to_be_still():
    ended = bench_view("verdict", result={"motor": "may_still_be_turning"})
    assert in_doubt(bench_live(ended, still=None))
    assert in_doubt(bench_live(ended, still=False))
    assert not in_doubt(bench_live(ended, still=True))
    assert in_doubt(bench_live(bench_view("choosing"), motor="in_doubt", still=False))


def test_words_of_stages_commands_and_messages():
    assert stage_words(EN, bench_live(bench_view("zeroing", warm_up=True))["view"]).startswith("After a power failure")
    assert stage_words(EN, bench_live(bench_view("zeroing", items=()))["view"]).startswith("Another geometry")
    assert command_words(EN, "confirm", "checking") == "All done: start"
    assert command_words(EN, "back", "checking") == "Back"
    assert message_words(KO, {"message": "cup_in_bath", "values": {"sample": "G-7"}}) == "G-7의 컵이 항온조에 있습니다"
    assert message_words(EN, {"message": "cup_in_bath", "values": {}}) == "cup_in_bath: "
    assert message_words(EN, {"message": "of_a_newer_daemon", "values": {}}) == "of a newer daemon"


def test_a_value_below_its_limits_has_its_point_on_the_left():
    limit = {"quantity": "viscosity", "low": 700.0, "high": 900.0, "verdict": "outside"}
    data = {"quantity": "viscosity", "value": 650.0, "verdict": {"verdict": "outside", "limits": [limit]}}
    assert verdict_kind(data) == "outside_low"
    assert verdict_kind(data | {"value": 950.0}) == "outside"
    assert verdict_kind(data | {"value": None}) == "outside"


def test_an_old_reading_is_no_value_of_now():
    live = bench_live(bench_view("running"), RUN)
    assert reading_amount(live, "torque") == "45.23 %"
    for age, shown in ((None, "45.23 %"), (1.9, "45.23 %"), (2.0, DASH), (75.0, DASH)):
        assert reading_amount(bench_live(bench_view("running"), RUN, age_s=age), "torque") == shown
    script = (files("daq.page") / "static" / "stream.js").read_text("utf-8")
    assert f"OLD_S = {OLD_S:.0f};" in script


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("recorded", ["bench-1", "bench-1-old"])
def test_equipment_out_of_service_is_named_without_a_command_in_the_language_of_the_page(lang, recorded):
    t = Texts(lang)
    pieces = [Piece("bench-1", "instrument", "R-1042"), Piece("bench-1/coaxial-12", "geometry")]
    out = [
        OutOfService(piece, Equipment(id="E-1", piece=recorded if n == 0 else piece.name, part=piece.part, out_of_service="dented; see the photo"), "kim", 1_790_000_000_000_000_000)
        for n, piece in enumerate(pieces)
    ]  # fmt: skip
    text = out_words(t, "; ".join(o.words for o in out))
    assert text.count("dented; see the photo") == 2
    assert "--because" not in text
    assert t.moment(utc_text(out[0].utc_ns)) in text
    for piece in pieces:
        assert piece.name in text
    if lang == "ko":
        assert re.findall("out of service|serial number|when it can", text) == []
    # A sentence of another version is shown, without what would have to be typed.
    assert (
        out_words(t, "the cup is lost: daq equipment back x") == f"the cup is lost. {t('bench.help.ask_administrator')}"
    )


@pytest.mark.parametrize(
    "text", ["FAILED", "never passed", "OVERDUE: never passed", "OVERDUE: none is recorded for this serial number", "OVERDUE since 2026-01-02", "OVERDUE: 2026-01-02", "no day stated (C-1)", "out of service: dented", "in service"]
)  # fmt: skip
def test_the_state_of_a_piece_has_no_english_on_a_korean_page(text):
    t = Texts("ko")
    kept = ("C-1", "dented")
    shown = due_words(t, text)
    assert [word for word in re.findall("[A-Za-z][A-Za-z0-9-]+", shown) if word not in kept] == []
    assert all(part in shown for part in kept if part in text)
    assert ("2026-01-02" in text) is (t.day("2026-01-02") in shown)
    assert due_words(Texts("en"), "2026-01-02") == "2 Jan 2026"
