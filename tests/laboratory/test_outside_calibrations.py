"""A calibration that found equipment outside of its tolerance blocks what was measured with it until a person decides."""

import itertools
from random import Random
from types import SimpleNamespace

import pytest

from daq.adapters.store.records import Change, StoredRecord
from daq.app.cli import main
from daq.app.laboratory.equipment.monthly import review
from daq.app.laboratory.signing.affected_runs import affected, affected_first
from daq.app.laboratory.signing.suspending import _failed
from daq.app.records.checks import outside_calibrations as checks_outside
from daq.app.records.checks.outside_calibrations import (
    Calibrated,
    OutsideCalibration,
    outside_calibrations,
    results_in_doubt,
)
from daq.app.records.equipment_state import newest_calibration, out_of_service, records_of
from daq.app.records.pieces import named_piece
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError
from daq.methods.planning.standing import day
from daq.process.moments import read_moment
from tests.support.signed_laboratories import measured_bench, signing_lab

DAY = 86_400 * 10**9
T0 = read_moment("2025-11-20", end=False)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    now = measured[0].clock.now
    with signing_lab(*measured, tmp_path) as found:
        yield found
    # All laboratories have the clock of the bench, and some tests set it forward.
    measured[0].clock.now = now


def calibrate(lab, piece="bench-1", found="outside", *, days=0, **order):
    """Record a calibration of some days after now."""
    today = day(lab.lab.clock.utc_ns() + days * DAY)
    given = {"piece": piece, "certificate": f"K{days}", "day": today, "found": found} | order
    try:
        return lab.do("equipment_calibrated", **given)
    except SettingError as error:
        if error.key != "in_doubt":
            raise
        return lab.do("equipment_calibrated", **given, in_doubt=int(error.values["count"]))


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


@pytest.mark.parametrize("before", ["inside", ""])
@pytest.mark.parametrize("left", ["inside", ""])
def test_a_calibration_corrected_to_outside_blocks_what_one_recorded_as_outside_at_once_does(lab, before, left):
    lab.sign(*lab.runs)
    calibrate(lab, found="inside", days=-20)
    lab.lab.clock.now += 3 * DAY
    calibrate(lab, found=before)
    lab.lab.clock.now += 3 * DAY
    assert [lab.release(run) for run in lab.runs] == ["released"] * 3
    name = calibrate(lab, days=-3, certificate="K0", left=left, because="read wrongly")["calibration"]
    assert [lab.release(run) for run in lab.runs] == ["release_blocked"] * 3
    assert listed(lab, name) == [(run, None) for run in lab.runs]


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
        # A day counts whole, so one within on the day of the runs ends no doubt about them.  None was adjusted, so one
        # before the runs doubts them, too.
        expected = sum(found == "outside" for found in history)
        assert [len(codes) for codes in doubts(lab)] == [expected] * 3, history
        with lab.lab.reader() as reader:
            for c in outside_calibrations(reader):
                runs = [run for _, run in results_in_doubt(reader, c)]
                assert runs == [run for run in lab.runs if c in Releases(reader).in_doubt_by(reader.run(run))]


HOUR = 3_600 * 10**9


def stated(random):
    return random.choice(FOUND), random.random() < 0.5


def generated(random):
    """Return calibrations of one piece and runs of it, in twelve days with a right clock; entries may be late or wrong.

    Runs are the moments of start and result, and the numbers of their audit entries.  A wrong entry is corrected, some
    twice; the calibrations are as they are after all corrections.
    """
    calibrations, runs, events, wrong = [], [], [], {}
    for number in range(random.randint(1, 4)):
        at = random.randrange(12 * 24)
        entered = at + random.choice((0, 0, random.randrange(1, 100)))
        calibrations.append((at, entered, *stated(random)))
        wrong[number] = [stated(random) for _ in range(random.choice((0, 0, 1, 2)))]
        events.append((entered * HOUR + HOUR // 2, "entry", number))
        events += [
            (entered * HOUR + HOUR // 2 + random.randrange(1, 200 * HOUR), f"correction {i}", number)
            for i, _ in enumerate(wrong[number])
        ]
    for number in range(12):
        began = random.randrange(16 * 24)
        took = random.choice((0.2, 0.2, 2, 30))
        runs.append((began * HOUR, int((began + took) * HOUR)))
        events += [(runs[-1][0], "start", number), (runs[-1][1], "result", number)]
    seqs = {(what, number): seq for seq, (_, what, number) in enumerate(sorted(events), start=1)}
    at_ns = {(what, number): ns for ns, what, number in events}
    about = {"piece": "x", "part": "instrument", "serial": "R-1", "make": "rotational"}
    stored = []
    for what, number in sorted((key for key in seqs if key[0] not in ("start", "result")), key=seqs.get):
        own = sorted((key for key in seqs if key[1] == number and key[0] not in ("start", "result")), key=seqs.get)
        at, _, *now = calibrations[number]
        found, left = [*wrong[number], now][own.index((what, number))]
        given = {"certificate": f"K{number}", "day": day(T0 + at * HOUR), "found": found, "left": "inside" * left}
        data = about | {"calibration": None, "recorded": given}
        entry = (seqs[what, number], T0 + at_ns[what, number], "m.keeper", "equipment_calibrated", "")
        stored.append(StoredRecord("equipment", "x R-1", len(stored) + 1, data, *entry))
    return calibrations, stored, runs, seqs


def must_be_in_doubt(calibrations, of, began):
    """Return whether a run began while a piece may have been as a calibration found it, by the hours of all of them."""
    at, _, _, left = calibrations[of]
    inside = max((a for a, _, found, _ in calibrations if found == "inside" and a < at - at % 24), default=-1)
    until = at if left else min(good_after(calibrations, at), default=10**6)
    return inside * HOUR < began < until * HOUR


def good_after(calibrations, hour):
    """Return the hours of the calibrations after an hour that left the piece within."""
    return [
        a for a, _, found, left in calibrations if a > hour and (found == "inside" or (found == "outside" and left))
    ]


def may_be_in_doubt(calibrations, of, began):
    """Return the same with whole days: the day of each calibration belongs to the doubt, and proves no order."""
    at, _, _, left = calibrations[of]
    days = [a // 24 for a, _, found, _ in calibrations if found == "inside" and a // 24 < at // 24]
    until = at // 24 if left else min(good_after(calibrations, at - at % 24 + 23), default=10**6) // 24
    return max(days, default=0) <= began // HOUR // 24 <= until


@pytest.mark.parametrize("seeds", range(4))
def test_no_result_of_a_piece_outside_escapes_in_generated_histories(seeds, monkeypatch):
    """The records are read as they are stored: late, and corrected from and to every statement."""
    reached_count, corrected_count = 0, 0
    for seed in range(seeds * 500, seeds * 500 + 500):
        calibrations, stored, runs, seqs = generated(Random(seed))
        monkeypatch.setattr(checks_outside, "with_ids", lambda *_, stored=stored, **__: stored)
        outside = outside_calibrations(None)
        assert len(outside) == sum(found == "outside" for _, _, found, _ in calibrations)
        for c in outside:
            of = int(c.of.certificate.removeprefix("K"))
            corrected_count += c.of.revised_seq != c.seq
            for number, (began, _) in enumerate(runs):
                started, result = seqs["start", number], seqs["result", number]
                reached = c.reaches(result, T0 + began, lambda started=started: started)
                reached_count += reached
                if must_be_in_doubt(calibrations, of, began):
                    assert reached, (seed, calibrations, runs[number])
                # A result that was not there at a late entry of the one within is in doubt although that was before.
                if reached and result < c.after_seq:
                    assert may_be_in_doubt(calibrations, of, began), (seed, calibrations, runs[number])
                if c.end is not None and started > c.end.seq:
                    assert not reached
    assert reached_count > 1000
    assert corrected_count > 100


@pytest.mark.parametrize("clock", ["right", "ahead", "behind"])
@pytest.mark.parametrize("adjusted", [True, False])
@pytest.mark.parametrize("place", range(6))
def test_entry_and_day_decide_together_also_with_a_wrong_clock(place, adjusted, clock):
    """A result lies before the last one within, between it and its entry, between both calibrations, and after.

    The last but one is of a run that was in progress at the entry of the calibration.
    """
    inside = {"day_ns": 100, "seq": 20, "utc_ns": 200}
    outside = {"begin_ns": 300, "until_ns": 310, "seq": 40, "utc_ns": 400}
    of = Calibrated(
        "x@d",
        "x",
        "instrument",
        "",
        "",
        "c",
        "d",
        "outside",
        adjusted,
        outside["seq"],
        outside["utc_ns"],
        40,
        "m.keeper",
    )
    end = of if adjusted else None
    c = OutsideCalibration(of, inside["seq"], inside["day_ns"], end, outside["until_ns"] if adjusted else 10**9)
    started, seq, began = [(9, 10, 50), (14, 15, 150), (29, 30, 250), (34, 35, 350), (39, 50, 305), (49, 50, 450)][
        place
    ]
    in_doubt = {
        # After the day of the second one and before its entry nothing is in doubt, if it was adjusted.
        "right": (False, True, True, not adjusted, True, not adjusted),
        # A clock ahead of the entry shows itself; nothing is left out that may be in doubt.
        "ahead": (True, True, True, True, True, not adjusted),
        "behind": (False, False, True, True, True, not adjusted),
    }[clock]
    began = {"right": began, "ahead": 10_000, "behind": 1}[clock]
    assert c.reaches(seq, began, lambda: started) is in_doubt[place]


def test_a_piece_found_outside_and_not_adjusted_is_out_of_service_until_it_is_corrected_or_adjusted(lab):
    done = calibrate(lab)
    assert done["out_of_service"].endswith("found outside of its tolerance and not adjusted")
    with lab.lab.reader() as reader:
        assert out_of_service(reader, named_piece(lab.lab.catalogue, reader, "bench-1"))
    assert calibrate(lab, left="inside", because="the certificate states it")["out_of_service"] == ""
    assert doubts(lab) == [["calibration_outside_after"]] * 3
    assert calibrate(lab, because="a mistake")["out_of_service"]
    value = {"name": "torque_full_scale", "constant": True, "as_left": "1000 uN.m", "uncertainty": "3 uN.m"}
    adjusted = [value | {"as_found": "1004 uN.m"}]
    assert calibrate(lab, values=adjusted, because="with its values")["out_of_service"] == ""


def test_certificates_come_in_any_order_and_two_of_one_day_do_not_replace_each_other(lab):
    """The works' own check of the twelfth is recorded before the certificate of the tenth arrives."""
    calibrate(lab, found="inside", days=-1, certificate="own")
    assert doubts(lab) == [[], [], []]
    lab.lab.clock.now += 5 * DAY
    calibrate(lab, days=-2, left="inside", certificate="K-late")
    with lab.lab.reader() as reader:
        piece = named_piece(lab.lab.catalogue, reader, "bench-1")
        assert newest_calibration(records_of(reader, piece), piece).calibration.certificate == "K-late"
        (found,) = outside_calibrations(reader)
    assert found.of.certificate == "K-late"
    calibrate(lab, days=-3, found="inside", certificate="K-older")
    with lab.lab.reader() as reader:
        assert newest_calibration(records_of(reader, piece), piece).calibration.certificate == "K-late"
    # The same day, another certificate: both hold.
    calibrate(lab, days=-2, found="inside", certificate="K-afternoon")
    with lab.lab.reader() as reader:
        assert [c.of.certificate for c in outside_calibrations(reader)] == ["K-late"]
        assert newest_calibration(records_of(reader, piece), piece).calibration.certificate == "K-afternoon"
    # A mistake is corrected also after newer ones.
    with pytest.raises(SettingError, match="a correction needs a reason"):
        calibrate(lab, days=-2, found="inside", certificate="K-late")
    calibrate(lab, days=-2, found="inside", certificate="K-late", because="read wrongly")
    with lab.lab.reader() as reader:
        assert outside_calibrations(reader) == []
        assert newest_calibration(records_of(reader, piece), piece).calibration.certificate == "K-afternoon"


@pytest.mark.parametrize("benches", [("bench-1",), ("bench-1", "bench-2"), ("bench-2", "bench-1", "bench-2")])
def test_a_release_is_found_by_every_instrument_of_its_runs_that_one_calibration_doubts(benches):
    """A thermometer is shared: a decision about a run on one bench must find the release as one on the other does."""
    cause = SimpleNamespace(ident="thermo-1 T-1@2026-11-20 K-1", seq=7)
    releases = SimpleNamespace(failures=lambda _run: [cause])
    found = _failed(releases, [SimpleNamespace(instrument=name) for name in benches])
    assert [(e.ident, name) for e, name in found] == [(cause.ident, name) for name in dict.fromkeys(benches)]


def test_a_decision_does_not_outlive_a_correction_of_its_calibration(lab):
    lab.sign(lab.runs[0])
    name = calibrate(lab)["calibration"]
    lab.do("doubt_decide", run=lab.runs[0], verification=name, decision="upheld", because="0.3 % is little")
    assert lab.release(lab.runs[0]) == "released"
    calibrate(lab, because="it was 3 %")
    assert (lab.release(lab.runs[0]), listed(lab, name)[0]) == ("release_blocked", (lab.runs[0], None))
    lab.do("doubt_decide", run=lab.runs[0], verification=name, decision="upheld", because="the same on bench-2")
    assert lab.release(lab.runs[0]) == "released"
    announced = [e["data"] for e in lab.messages("signature")]
    assert [(bool(e["suspended"]), bool(e["resumed"])) for e in announced] == [
        (False, False), (True, False), (False, True), (True, False), (False, True),
    ]  # fmt: skip


def test_a_page_of_runs_in_doubt_has_those_without_a_decision_first_and_the_number_of_all(lab):
    name = calibrate(lab)["calibration"]
    lab.do("doubt_decide", run=lab.runs[0], verification=name, decision="upheld", because="the same on bench-2")
    order = [*lab.runs[1:], lab.runs[0]]
    for most in range(5):
        with lab.lab.reader() as reader:
            rows, count = affected_first(reader, name, most)
        assert ([e.run for e, _ in rows], count) == (order[:most], 3)
        assert [decision for _, decision in rows] == [None, None, "upheld"][:most]


def test_a_calibration_that_puts_results_in_doubt_needs_their_number(lab):
    lab.keep("G-1041")
    lab.sign("G-1041/clear-glaze-qc", of="reportable")
    today = day(lab.lab.clock.utc_ns())
    order = {"piece": "bench-1", "certificate": "K-1", "day": today, "found": "outside"}
    for given in ({}, {"in_doubt": 2}):
        with pytest.raises(SettingError, match="puts 3 results in doubt") as caught:
            lab.do("equipment_calibrated", **order, **given)
        assert caught.value.key == "in_doubt"
    assert doubts(lab) == [[], [], []]
    assert [e["data"]["state"] for e in lab.messages("reportable")] == ["complete"]
    lab.do("equipment_calibrated", **order, in_doubt=3)
    own = [e["data"]["state"] for e in lab.messages("reportable") if e["data"]["sample"] == "G-1041"]
    assert own == ["complete", "blocked"]
