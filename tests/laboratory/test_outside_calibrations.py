"""A calibration that found equipment outside of its tolerance blocks what was measured with it until a person decides."""

import itertools

import pytest

from daq.adapters.store.records import Change
from daq.app.cli import main
from daq.app.laboratory.equipment.monthly import review
from daq.app.laboratory.signing.affected_runs import affected
from daq.app.records.checks.outside_calibrations import (
    Calibrated,
    OutsideCalibration,
    outside_calibrations,
    results_in_doubt,
)
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError
from daq.methods.planning.standing import day
from tests.support.signed_laboratories import measured_bench, signing_lab

DAY = 86_400 * 10**9


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as found:
        yield found


def calibrate(lab, piece="bench-1", found="outside", *, days=0, **order):
    """Record a calibration of some days after now."""
    today = day(lab.lab.clock.utc_ns() + days * DAY)
    given = {"piece": piece, "certificate": f"K{days}", "day": today, "found": found}
    return lab.do("equipment_calibrated", **given | order)


def doubts(lab):
    with lab.lab.reader() as reader:
        return [[s.code for s in Releases(reader).doubts(reader.run(run))] for run in lab.runs]


def listed(lab, name):
    with lab.lab.reader() as reader:
        return [(e.run, decision) for e, decision in affected(reader, name)]


@pytest.mark.parametrize(
    "piece",
    [
        "bench-1",
        pytest.param("bench-1/coaxial-12", marks=pytest.mark.slow),
        pytest.param("thermo-1", marks=pytest.mark.slow),
    ],
)
def test_a_calibration_outside_blocks_releases_at_once_until_a_person_decides_one_by_one(lab, piece):
    upheld, doubted, unsigned = lab.runs
    lab.keep("G-1041", "G-1042", "G-1043")
    lab.sign(upheld, doubted)
    lab.sign("G-1041/clear-glaze-qc", of="reportable")
    done = calibrate(lab, piece)
    name = done["calibration"]
    assert done["in_doubt"] == 3
    assert doubts(lab) == [["calibration_outside_after"]] * 3
    assert (
        listed(lab, name) == listed(lab, f"{piece}@{day(lab.lab.clock.utc_ns())}") == [(run, None) for run in lab.runs]
    )
    assert [lab.release(run) for run in lab.runs] == ["release_blocked", "release_blocked", None]
    with pytest.raises(SettingError, match="found it outside of its tolerance"):
        lab.sign(unsigned)
    with pytest.raises(SettingError, match="found it outside of its tolerance"):
        lab.sign("G-1042/clear-glaze-qc", of="reportable")
    suspended = [e["data"]["suspended"] for e in lab.messages("signature") if e["data"]["suspended"]]
    assert [s[0]["verification"] for s in suspended] == [name] * len(suspended)
    assert {e["data"]["subject"] for e in lab.messages("signature") if e["data"]["suspended"]} >= {upheld, doubted}
    states = [e["data"]["state"] for e in lab.messages("reportable") if e["data"]["sample"] == "G-1041"]
    assert states == ["complete", "blocked"]

    lab.do("doubt_decide", run=upheld, verification=name, decision="upheld", because="the same on bench-2")
    assert lab.release(upheld) == "released"
    assert doubts(lab) == [[], *[["calibration_outside_after"]] * 2]
    lab.do("doubt_decide", run=doubted, verification=name, decision="uncertain", because="3 % low")
    data = lab.newest(doubted)
    assert (data["faults"], data["validity"], data["quality"]) == (
        ["calibration_outside_later"],
        "doubtful",
        "Uncertain",
    )
    assert data["verdict"]["verdict"] == "not_comparable"
    assert listed(lab, name) == [(upheld, "upheld"), (doubted, "uncertain"), (unsigned, None)]
    with pytest.raises(SettingError, match="is Uncertain already by a.novak"):
        lab.do("doubt_decide", run=doubted, verification=name, decision="upheld", because="a mistake")
    assert lab.disagreements() == []


def test_a_corrected_calibration_releases_what_it_blocked(lab):
    lab.sign(lab.runs[0])
    calibrate(lab)
    assert lab.release(lab.runs[0]) == "release_blocked"
    calibrate(lab, found="inside", because="another piece's certificate")
    assert doubts(lab) == [[], [], []]
    assert lab.release(lab.runs[0]) == "released"
    assert [e["data"]["resumed"] is not None for e in lab.messages("signature")] == [False, False, True]


def test_another_piece_or_one_that_was_found_within_blocks_nothing(lab):
    for piece, found in (
        ("bench-2", "outside"),
        ("bench-1/coaxial-15", "outside"),
        ("bench-1", "inside"),
        ("bench-1", ""),
    ):
        calibrate(lab, piece, found=found, because="test")
        assert doubts(lab) == [[], [], []]


def test_an_adjusted_value_needs_the_statement_whether_the_piece_was_within(lab):
    value = {"name": "torque_full_scale", "constant": True, "as_left": "1000 uN.m", "uncertainty": "3 uN.m"}
    with pytest.raises(SettingError, match="state whether the piece was found inside or outside") as caught:
        calibrate(lab, found="", values=[value | {"as_found": "1003.1 uN.m"}])
    assert caught.value.key == "found"
    calibrate(lab, found="", values=[value | {"as_found": "1003 uN.m"}])
    assert doubts(lab) == [[], [], []]


def test_case_review_and_commands_name_it(lab, capsys):
    name = calibrate(lab)["calibration"]
    for run in lab.runs[:1]:
        lab.do("doubt_decide", run=run, verification=name, decision="upheld", because="the same")
    month = day(lab.lab.clock.utc_ns())[:7]
    with lab.lab.reader() as reader:
        (found,) = review(reader, month).outside
        assert (found.in_doubt, found.undecided, found.as_json()["calibration"]) == (3, 2, name)
    state = ["--state", str(lab.lab.store.path.parent)]
    assert main(["review", month, *state]) == 0
    assert "found it OUTSIDE of its tolerance: 3 results in doubt, 2 without a decision" in capsys.readouterr().out
    assert main(["affected", name, *state]) == 0
    assert capsys.readouterr().out.count("G-104") == 3
    lab.correct(lab.runs[1], lot="L9")
    assert main(["case", "L9", *state]) == 0
    out = capsys.readouterr().out
    assert "in doubt: the calibration K0 of bench-1 on" in out
    assert "calibrated by a.novak (K0), found OUTSIDE of its tolerance" in out


FOUND = ("inside", "outside", "")


def test_the_reach_is_that_of_a_model_over_every_history(lab):
    """Calibrations nine days before the runs, on their day, and five days after: all are recorded after the runs."""
    days, base = (-9, 0, 5), lab.lab.clock.utc_ns()
    about = {"id": "bench-1 R-1042", "piece": "bench-1", "part": "instrument", "serial": "R-1042", "make": "rotational"}
    keys = [("piece", "bench-1"), ("listed", "bench-1 R-1042")]
    revisions = itertools.count()
    for history in itertools.product(FOUND, repeat=3):
        # Each history corrects the one before: the calibrations of the same days.
        for number, (found, at) in enumerate(zip(history, days, strict=True)):
            calibration = {"certificate": f"c{number}", "day": day(base + at * DAY), "found": found}
            data = about | {"calibration": calibration}
            change = Change("equipment", about["id"], "equipment_calibrated", data, keys, next(revisions))
            lab.lab.change(change)
        # A day counts whole, so one within on the day of the runs ends no doubt about them.
        expected = sum(found == "outside" and at >= 0 for found, at in zip(history, days, strict=True))
        assert [len(codes) for codes in doubts(lab)] == [expected] * 3, history
        with lab.lab.reader() as reader:
            for c in outside_calibrations(reader):
                runs = [run for _, run in results_in_doubt(reader, c)]
                assert runs == [run for run in lab.runs if c in Releases(reader).in_doubt_by(reader.run(run))]


@pytest.mark.parametrize("clock", ["right", "ahead", "behind"])
@pytest.mark.parametrize("place", range(5))
def test_entry_and_day_decide_together_also_with_a_wrong_clock(place, clock):
    """A result lies before the last one within, between it and its entry, between both calibrations, and after."""
    inside = {"day_ns": 100, "seq": 20, "utc_ns": 200}
    outside = {"begin_ns": 300, "until_ns": 310, "seq": 40, "utc_ns": 400}
    of = Calibrated(
        "x@d", "x", "instrument", "", "", "c", "d", "outside", outside["seq"], outside["utc_ns"], "m.keeper"
    )
    c = OutsideCalibration(of, inside["seq"], inside["day_ns"], outside["until_ns"])
    seq, began = [(10, 50), (15, 150), (30, 250), (35, 350), (50, 450)][place]
    in_doubt = {
        # After the day of the second one and before its entry nothing is in doubt: it was adjusted by then.
        "right": (False, True, True, False, False),
        # A clock ahead of the entry shows itself; nothing is left out that may be in doubt.
        "ahead": (True, True, True, True, False),
        "behind": (False, False, True, True, False),
    }[clock]
    began = {"right": began, "ahead": 10_000, "behind": 1}[clock]
    assert c.reaches(seq, began) is in_doubt[place]
