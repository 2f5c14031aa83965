"""Equipment whose file gets another name: out of service, calibrations and verifications follow the serial number."""

import itertools
import json
from dataclasses import dataclass, replace
from random import Random

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.newest_runs import shared_serials
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Audit, SeeInstrument
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.signing.suspending import suspending
from daq.app.records.checks.audited_checks import checks, entries, pair_of
from daq.app.records.checks.check_trail import CheckTrail
from daq.app.records.checks.doubts import doubt_by
from daq.app.records.checks.instrument_history import instrument_history, standing_of
from daq.app.records.checks.outside_calibrations import (
    Calibrated,
    OutsideCalibration,
    outside_among,
    outside_calibrations,
    results_in_doubt,
)
from daq.app.records.equipment_state import equipment_of_run
from daq.app.records.pieces import all_pieces
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.core.driver import Identity
from daq.core.encoding import encode
from daq.core.errors import SettingError, SettingErrors
from daq.methods.files.instrument import Probe
from daq.methods.planning.standing import day
from tests.laboratory.parts import FixedClock
from tests.support.runs.stored import T0, begin, conclude, end, register
from tests.support.signed_laboratories import measured_bench, signing_lab, verification_detail, verify

DAY = 86_400 * 10**9
OLD, YESTERDAY, TOMORROW = (day(T0 + days * DAY) for days in (-100, -1, 1))
SERIAL_OF = {"bench-1": "R-1", "bench-2": "R-2"}
PARTS = ("instrument", "numbered", "unnumbered", "probe")
RENAMED = ("instrument", "key", "both", "swapped")
STATES = ("out", "overdue", "in order")


def own_name(part):
    return {"instrument": "", "numbered": "/coaxial-12", "unnumbered": "/coaxial-12", "probe": "/probe_1"}[part]


@pytest.fixture(scope="module")
def example():
    return Catalogue.load(examples_dir())


@pytest.fixture
def lab(tmp_path, example):
    """Two instruments of one kind, each with a probe, and with geometries of the same names."""
    like = example.instruments["bench-1"].model_copy(update={"probes": {"probe_1": Probe()}, "expect_serial": None})
    found = replace(example, instruments={name: like.model_copy(update={"name": name}) for name in SERIAL_OF})
    with Store(tmp_path / "daq.db") as store:
        yield Laboratory(store, found, FixedClock(), "m.keeper")


def connect(lab, names):
    connect_all(lab.store, names)


def connect_all(store, names):
    for name, serial in names.items():
        store.submit(SeeInstrument(name, "rotational", serial, T0)).result(10)


def number_geometries(lab, part):
    for name, instrument in lab.catalogue.instruments.items():
        serial = f"C-{SERIAL_OF[name]}" if part == "numbered" else None
        geometry = instrument.geometries["coaxial-12"].model_copy(update={"serial": serial})
        update = {"geometries": instrument.geometries | {"coaxial-12": geometry}}
        lab.catalogue.instruments[name] = instrument.model_copy(update=update)


def give_names(lab, names):
    """Give instruments other names; return the configuration with them."""
    known = lab.catalogue.instruments
    return {now: known[before].model_copy(update={"name": now}) for before, now in names.items()}


def give_key(lab, name):
    """Give the geometry of an instrument another key in its file."""
    instrument = lab.catalogue.instruments[name]
    known = {("rotor-a" if key == "coaxial-12" else key): g for key, g in instrument.geometries.items()}
    update = {"geometries": known, "fitted": "rotor-a" if instrument.fitted == "coaxial-12" else instrument.fitted}
    lab.catalogue.instruments[name] = instrument.model_copy(update=update)


def outcome(lab, piece):
    """Return whether a run with a piece is refused, and whether its calibration is overdue."""
    with lab.reader() as reader:
        found = [p for p in all_pieces(lab.catalogue, reader) if p.name == piece]
        try:
            return False, bool(equipment_of_run(reader, found, T0).overdue)
        except (SettingError, SettingErrors):
            return True, False


# Without a serial number, another key in the file is another piece.
CASES = [
    c for c in itertools.product(PARTS, RENAMED, STATES) if c[0] == "numbered" or c[1] in ("instrument", "swapped")
]


@pytest.mark.parametrize(("part", "renamed", "state"), CASES)
def test_no_new_name_puts_a_piece_back_into_service_or_makes_its_calibration_hold(lab, part, renamed, state):
    connect(lab, SERIAL_OF)
    number_geometries(lab, part)
    piece, other = (f"{name}{own_name(part)}" for name in SERIAL_OF)
    # The other one of the same name is in order, and recorded later.
    for name, due in ((piece, YESTERDAY if state == "overdue" else TOMORROW), (other, TOMORROW)):
        if state in ("overdue", "in order"):
            about = {"certificate": f"K {name}", "day": OLD, "due": due, "found": "inside"}
            carry_out(lab, "equipment_calibrated", {"piece": name, **about})
    if state == "out":
        carry_out(lab, "equipment_out", {"piece": piece, "because": "dropped"})
    expected = (state == "out", state == "overdue")
    assert outcome(lab, piece) == expected

    if renamed in ("key", "both"):
        give_key(lab, "bench-1")
    names = {"key": {}, "swapped": {"bench-1": "bench-2", "bench-2": "bench-1"}}.get(renamed, {"bench-1": "bench-9"})
    lab.catalogue.instruments |= give_names(lab, names)
    if renamed in ("instrument", "both"):
        del lab.catalogue.instruments["bench-1"]
    connect(lab, {now: SERIAL_OF[before] for before, now in names.items()})
    now = names.get("bench-1", "bench-1") + ("/rotor-a" if renamed in ("key", "both") else own_name(part))
    assert outcome(lab, now) == expected
    if renamed == "swapped":
        # The other one is in service, and has its own calibration still.
        assert outcome(lab, "bench-1" + own_name(part)) == (False, False)
    if state == "out":
        carry_out(lab, "equipment_back", {"piece": piece, "because": "repaired"})
        assert outcome(lab, now) == (False, False)
    elif state == "overdue":
        about = {"certificate": "K-new", "day": YESTERDAY, "due": TOMORROW, "found": "inside"}
        carry_out(lab, "equipment_calibrated", {"piece": now, **about})
        assert outcome(lab, now) == (False, False)


@pytest.mark.parametrize(("part", "renamed"), [(p, r) for p in PARTS for r in ("instrument", "swapped")])
def test_a_certificate_is_corrected_under_the_new_name_of_its_piece(lab, part, renamed):
    connect(lab, SERIAL_OF)
    number_geometries(lab, part)
    about = {"certificate": "K-1", "day": OLD, "found": "outside"}
    for name in SERIAL_OF:
        carry_out(lab, "equipment_calibrated", {"piece": name + own_name(part), **about})
    assert [outcome(lab, name + own_name(part))[0] for name in SERIAL_OF] == [True, True]
    names = {"swapped": {"bench-1": "bench-2", "bench-2": "bench-1"}}.get(renamed, {"bench-1": "bench-9"})
    lab.catalogue.instruments |= give_names(lab, names)
    if renamed == "instrument":
        del lab.catalogue.instruments["bench-1"]
    connect(lab, {now: SERIAL_OF[before] for before, now in names.items()})
    again = {"piece": names["bench-1"] + own_name(part), **about, "found": "inside"}
    with pytest.raises(SettingError, match="a correction needs a reason"):
        carry_out(lab, "equipment_calibrated", again)
    done = carry_out(lab, "equipment_calibrated", {**again, "because": "mistyped"})
    assert (done["calibration"].startswith("bench-1"), done["out_of_service"]) == (True, "")
    assert outcome(lab, again["piece"])[0] is False
    assert outcome(lab, names.get("bench-2", "bench-2") + own_name(part))[0] is True
    with lab.reader() as reader:
        assert [c.of.piece for c in outside_calibrations(reader)] == ["bench-2" + own_name(part)]


@pytest.mark.parametrize("part", ["unnumbered", "probe"])
def test_a_piece_may_have_stayed_with_the_successor_of_its_instrument(lab, part):
    piece = "bench-1" + own_name(part)
    connect(lab, {"bench-2": "R-1"})  # long ago
    lab.clock.now = T0 + DAY
    lab.store.submit(SeeInstrument("bench-1", "rotational", "R-1", T0 + DAY)).result(10)
    carry_out(lab, "equipment_out", {"piece": piece, "because": "dropped"})
    assert outcome(lab, piece) == (True, False)
    lab.store.submit(SeeInstrument("bench-1", "rotational", "R-5", T0 + DAY)).result(10)
    assert outcome(lab, piece) == (True, False)
    lab.store.submit(SeeInstrument("bench-2", "rotational", "R-1", T0 + DAY)).result(10)
    assert outcome(lab, piece) == (False, False)


@pytest.mark.parametrize("part", ["unnumbered", "probe"])
def test_pieces_of_two_instruments_under_one_name_are_put_back_by_the_serial_number_of_the_instrument(lab, part):
    connect(lab, SERIAL_OF)
    number_geometries(lab, part)
    piece, other = (f"{name}{own_name(part)}" for name in SERIAL_OF)
    carry_out(lab, "equipment_out", {"piece": piece, "because": "dropped"})
    connect(lab, {"bench-1": "R-2", "bench-2": "R-1"})
    assert [outcome(lab, name)[0] for name in (piece, other)] == [False, True]
    carry_out(lab, "equipment_out", {"piece": piece, "because": "dropped, too"})
    assert [outcome(lab, name)[0] for name in (piece, other)] == [True, True]
    with pytest.raises(SettingError, match="several pieces of this name .* numbers R-1, R-2; name one"):
        carry_out(lab, "equipment_back", {"piece": piece, "because": "repaired"})
    carry_out(lab, "equipment_back", {"piece": piece, "serial": "R-2", "because": "repaired"})
    assert [outcome(lab, name)[0] for name in (piece, other)] == [False, True]
    carry_out(lab, "equipment_back", {"piece": piece, "serial": "R-1", "because": "repaired"})
    assert [outcome(lab, name)[0] for name in (piece, other)] == [False, False]


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def signed(measured, tmp_path):
    """Released runs of bench-1; its file has the name bench-9 now."""
    with signing_lab(*measured, tmp_path) as found:
        found.sign(*found.runs)
        store = found.lab.store
        for name in ("bench-1", "bench-9"):
            store.submit(SeeInstrument(name, "rotational", "R-1042", T0)).result(10)
        store.submit(SeeInstrument("bench-2", "rotational", "R-1043", T0)).result(10)
        known = found.lab.catalogue.instruments
        known["bench-9"] = known["bench-1"].model_copy(update={"name": "bench-9"})
        yield found


def releases(lab):
    return [lab.release(run) for run in lab.runs]


@pytest.mark.parametrize(("bench", "blocked"), [("bench-9", True), ("bench-1", True), ("bench-2", False)])
def test_a_verification_that_fails_under_another_name_blocks_what_was_measured_before_it(signed, bench, blocked):
    lab = signed.lab
    follow = suspending(lab.topics, bench, lab.clock.utc_ns(), "m.keeper")
    verify(lab.store, "failed", passed=False, instrument=bench, follow=follow)
    assert releases(signed) == (["release_blocked"] if blocked else ["released"]) * 3
    announced = {e["data"]["subject"] for e in signed.messages("signature") if e["data"]["suspended"]}
    assert announced == (set(signed.runs) if blocked else set())
    with lab.reader() as reader:
        found = {name: [e.run for e in checks(reader, name)] for name in ("bench-1", "bench-9", "bench-2")}
        assert found == {
            "bench-1": ["failed"] * blocked, "bench-9": ["failed"] * blocked, "bench-2": ["failed"] * (not blocked)
        }  # fmt: skip


def test_a_pass_under_another_name_ends_the_reach_of_a_failure(signed):
    verify(signed.lab.store, "passed", passed=True, instrument="bench-9")
    verify(signed.lab.store, "failed", passed=False, instrument="bench-9")
    assert releases(signed) == ["released"] * 3


@pytest.mark.parametrize(("passed", "follows"), [(True, None), (False, False)])
def test_a_failed_verification_follows_the_serial_number_and_a_passed_one_does_not(signed, passed, follows):
    """Another instrument may have the same serial number: some makers give all of theirs the same one."""
    verify(signed.lab.store, "v", passed=passed, instrument="bench-1")
    catalogue = signed.lab.catalogue
    with signed.lab.reader() as reader:
        instrument = catalogue.instruments["bench-9"].with_fitted("coaxial-12")
        found = entries(reader, "bench-9")
        now = signed.lab.clock.utc_ns()
        standing = standing_of(reader, found, instrument, pair_of(instrument, "R-1042"), now, catalogue)
        assert standing.passed is follows


NAMES = ("bench-1", "bench-2", "bench-9")
SERIALS = ("R-1", "R-2")


def stored_result(store, run, name, serial):
    """Store a result that an instrument with a serial number measured under a name."""

    def build(sequence, audit, journal_digest):
        about = {"origin": {"instrument": name, "serial": serial}, "geometry": {"name": "coaxial-12"}}
        known = {"run": run, "sequence": sequence, "audit_head": audit.head, "journal_digest": journal_digest}
        return json.dumps(known | about), []

    for step in (register(), begin(run, name), conclude(run, build=build, result_id=f"r-{run}"), end(run)):
        store.submit(step).result(10)


@dataclass(frozen=True)
class Happened:
    """A result, or a verification that passed or failed, with name and serial number of the instrument then."""

    what: str
    run: str
    name: str
    serial: str


def happenings(store, random, count):
    """Let two instruments get other names again and again, measure, and be verified."""
    found = []
    for number in range(count):
        what = random.choice(("result", "result", "move", "passed", "failed"))
        if what == "move" or number == 0:
            names = dict(zip(random.sample(NAMES, 2), SERIALS, strict=True))
            connect_all(store, names)
            continue
        name, serial = random.choice(sorted(names.items()))
        happened = Happened(what, f"run-{number}", name, serial)
        if what == "result":
            stored_result(store, happened.run, name, serial)
        else:
            verify(store, happened.run, passed=what == "passed", instrument=name, serial=serial)
        found.append(happened)
    return found


@pytest.mark.parametrize("seed", range(12))
def test_a_failure_doubts_what_its_instrument_measured_since_its_last_pass_under_all_names(tmp_path, seed):
    with Store(tmp_path / "daq.db") as store:
        happened = happenings(store, Random(seed), 40)
        with store.reader() as reader:
            releases = Releases(reader)
            own = {f.run: checks(reader, f.name) for f in happened if f.what == "failed"}
            listed = {
                run: {each for _, each in doubt_by(reader, found, next(e for e in found if e.run == run)).results}
                for run, found in own.items()
            }
            for place, result in enumerate(happened):
                if result.what != "result":
                    continue
                doubts = {e.run for e in releases.in_doubt_by(reader.run(result.run))}
                assert doubts == {run for run, results in listed.items() if result.run in results}
                passed_under = set()
                for later in happened[place + 1 :]:
                    is_same = later.serial == result.serial
                    if later.what == "failed" and is_same and not passed_under:
                        assert later.run in doubts
                    if later.what == "failed" and passed_under & {(later.serial, n) for n in (later.name, result.name)}:
                        assert later.run not in doubts
                    if later.what == "failed" and not is_same and later.name != result.name:
                        assert later.run not in doubts
                    if later.what == "passed" and is_same:
                        passed_under.add((later.serial, later.name))


def test_the_first_check_under_a_new_name_states_results_since_the_last_pass(tmp_path, example):
    bench = example.instruments["bench-1"].with_fitted("coaxial-12")
    catalogue = replace(example, instruments=example.instruments | {"bench-1": bench})
    with Store(tmp_path / "daq.db") as store:
        connect_all(store, {"bench-9": "R-1"})
        stored_result(store, "g-0", "bench-9", "R-1")
        verify(store, "passed", passed=True, instrument="bench-9", serial="R-1")
        stored_result(store, "g-1", "bench-9", "R-1")
        connect_all(store, {"bench-9": "R-2", "bench-1": "R-1"})
        stored_result(store, "g-2", "bench-9", "R-2")
        stored_result(store, "g-3", "bench-1", "R-1")
        order = RunOrder(method_id="reference-verification", instrument="bench-1", sample="s")
        with store.reader() as reader:
            identity = Identity("rotational", "R-1", "1", {})
            known = instrument_history(reader, catalogue, order, identity, T0 + 2 * DAY)
        assert known.results_since_pass == ("r-g-3", "r-g-1")


@pytest.mark.parametrize("judged_again", [False, True])
def test_no_pass_of_another_instrument_with_the_same_number_ends_the_reach_of_a_failure(tmp_path, judged_again):
    """Some makers give all of their instruments the same serial number."""
    same = "000000"
    with Store(tmp_path / "daq.db") as store:
        connect_all(store, {"bench-1": same, "bench-2": same})
        stored_result(store, "g-0", "bench-1", same)
        verify(store, "own", passed=True, instrument="bench-1", serial=same)
        stored_result(store, "g-1", "bench-1", same)
        verify(store, "passed", passed=True, instrument="bench-2", serial=same)
        if judged_again:
            detail = encode(verification_detail("passed", passed=True, serial=same))
            store.submit(Audit(T0, "m.keeper", "verification", "bench-2", detail)).result(10)
        verify(store, "failed", passed=False, instrument="bench-1", serial=same)
        with store.reader() as reader:
            doubts = {run: Releases(reader).in_doubt_by(reader.run(run)) for run in ("g-0", "g-1")}
            assert {run: [e.run for e in found] for run, found in doubts.items()} == {"g-0": [], "g-1": ["failed"]}


def test_verifications_around_a_result_are_those_of_its_instrument(tmp_path):
    with Store(tmp_path / "daq.db") as store:
        connect_all(store, {"bench-1": "R-1", "bench-9": "R-2"})
        connect_all(store, {"bench-9": "R-1"})
        for number, (name, serial) in enumerate((("bench-1", "R-1"), ("bench-9", "R-1"), ("bench-9", "R-2"))):
            verify(store, f"v-{number}", passed=True, instrument=name, serial=serial)
        with store.reader() as reader:
            found = CheckTrail(reader, "bench-1").around(0, 2 * T0, lambda run: False)
        assert [e.run for e in found] == ["v-0", "v-1"]


@pytest.mark.parametrize(
    ("connected", "shared"),
    [
        ((("bench-1", "R-1"), ("bench-9", "R-1")), {"R-1"}),
        ((("bench-1", "R-1"), ("bench-9", "R-1"), ("bench-1", "R-2")), {"R-1"}),
        ((("bench-1", "R-1"), ("bench-9", "R-1"), ("bench-9", "R-2"), ("bench-1", "R-2")), {"R-1", "R-2"}),
        ((("bench-1", "R-1"), ("bench-9", "R-2")), set()),
        ((("bench-1", ""), ("bench-9", "")), set()),
    ],
)
def test_names_share_each_serial_number_that_was_ever_connected_under_both(tmp_path, connected, shared):
    with Store(tmp_path / "daq.db") as store:
        for name, serial in connected:
            store.submit(SeeInstrument(name, "rotational", serial, T0)).result(10)
        with store.reader() as reader:
            assert shared_serials(reader.rows, "bench-1") == ({"bench-9": shared} if shared else {})
            assert shared_serials(reader.rows, "bench-9") == ({"bench-1": shared} if shared else {})


@pytest.mark.parametrize("piece", ["bench-9", "bench-9/coaxial-12"])
def test_a_calibration_recorded_under_another_name_doubts_what_was_measured_before_it(signed, piece):
    lab = signed.lab
    given = {"piece": piece, "certificate": "K-1", "day": day(lab.clock.utc_ns()), "found": "outside", "in_doubt": 3}
    signed.do("equipment_calibrated", **given)
    assert releases(signed) == ["release_blocked"] * 3
    with lab.reader() as reader:
        (found,) = outside_calibrations(reader)
        assert [run for _, run in results_in_doubt(reader, found)] == signed.runs
        assert all(Releases(reader).in_doubt_by(reader.run(run)) == [found] for run in signed.runs)


def of_piece(piece, part, seq=1, found="outside", **about):
    known = {"serial": "", "make": "", "day": f"2026-11-0{seq}"} | about
    return Calibrated(f"{piece}@{seq} K", piece, part, certificate="K", found=found, was_adjusted=False, seq=seq,
                      utc_ns=1, revised_seq=seq, who="m", **known)  # fmt: skip


def outside(piece, part, **about):
    return OutsideCalibration(of_piece(piece, part, **about), 0, 0, None, 0)


OWNERS = [("7", "serial-line"), ("7", "usb-line"), ("8", "serial-line"), ("", "")]


@pytest.mark.parametrize(("before", "now"), list(itertools.product(OWNERS, OWNERS)))
@pytest.mark.parametrize("is_renamed", [False, True])
@pytest.mark.parametrize("part", ["probe", "geometry"])
def test_a_calibration_inside_limits_one_of_the_same_piece(part, is_renamed, before, now):
    """Calibrations that were recorded before instruments were, and after that, are of one piece by the name."""
    names = ("thermo-1/own", "thermo-9/own" if is_renamed else "thermo-1/own")
    about = [dict(zip(("owner", "owner_make"), owner, strict=True)) for owner in (before, now)]
    known = [
        of_piece(names[0], part, 1, "inside", **about[0]),
        of_piece(names[1], part, 2, **about[1]),
        of_piece("thermo-1/other", part, 3, "inside", **about[1]),
    ]
    is_same = before == now if before[0] and now[0] else not is_renamed
    for found in (outside_among(known), outside_among(known, known[1])):
        assert [c.after_seq for c in found] == [1 if is_same else 0]
    assert len(outside_among(known, known[0])) == is_same
    assert (known[0].identity == known[1].identity) == (before == now and not is_renamed)


@pytest.mark.parametrize(
    ("name", "serial", "concerned"),
    [("thermo-9", "T-1", True), ("thermo-1", "T-1", True), ("thermo-1", None, True), ("thermo-9", "T-2", False)],
)
def test_a_probe_is_that_of_its_thermometer_under_any_name(name, serial, concerned):
    data = {"origin": {"instrument": "bench-1", "serial": "R-1", "companions": {name: serial}}}
    assert outside("thermo-1/probe_1", "probe", owner="T-1").concerns(data) is concerned


@pytest.mark.parametrize(
    ("kind", "serial", "concerned"),
    [("coaxial", "7", True), ("vane", "7", False), ("coaxial", "8", False), ("vane", None, False)],
)
def test_a_short_serial_number_of_another_kind_of_geometry_is_another_piece(kind, serial, concerned):
    geometry = {"name": "rotor-a", "kind": kind, "serial": serial}
    data = {"origin": {"instrument": "bench-1", "serial": "R-1"}, "geometry": geometry}
    assert outside("bench-2/rotor-b", "geometry", serial="7", make="coaxial").concerns(data) is concerned
    # Under its own name it may be the same: only the file may have had another kind.
    assert outside("bench-1/rotor-a", "geometry", serial="7", make="coaxial").concerns(data) is (serial != "8")
