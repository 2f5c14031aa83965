"""Equipment: out of service and back, calibrations with their constants, serial numbers, and due days."""

import itertools
import json
from dataclasses import replace

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.records import Change
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import SeeInstrument
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.equipment.inventory import history_of, inventory
from daq.app.laboratory.laboratory import Laboratory
from daq.app.records.equipment_state import (
    EquipmentOfRun,
    equipment_of_run,
    out_of_service,
    overdue,
    records_of,
)
from daq.app.records.pieces import Piece, named_piece
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError, SettingErrors
from daq.laboratory.equipment import Equipment, equipment_id
from daq.methods.files.instrument import Probe
from daq.methods.planning.standing import day
from tests.laboratory.parts import FixedClock, audited
from tests.support.runs.full_database import falsified
from tests.support.runs.stored import T0

TODAY = day(T0)
YEAR = 365 * 86_400 * 10**9
LAST_YEAR, NEXT_YEAR = day(T0 - YEAR), day(T0 + YEAR)


@pytest.fixture(scope="module")
def catalogue():
    """The examples, with a declared probe."""
    found = Catalogue.load(examples_dir())
    thermometer = found.instruments["thermo-2"]
    found.instruments["thermo-2"] = thermometer.model_copy(update={"probes": {"probe_1": Probe(offset=0.1)}})
    return found


@pytest.fixture
def lab(tmp_path, catalogue):
    own = replace(catalogue, instruments=dict(catalogue.instruments))
    with Store(tmp_path / "daq.db") as store:
        yield Laboratory(store, own, FixedClock(), "m.keeper")


def do(lab, act, piece, **order):
    return carry_out(lab, f"equipment_{act}", {"piece": piece, **order})


def calibrated(lab, piece, *values, **order):
    given = {"certificate": "K-1", "day": LAST_YEAR, "because": "test", "values": list(values), "found": "inside"}
    return do(lab, "calibrated", piece, **given | order)


def constant(name, found, left, uncertainty, *, of_file=True):
    return {"name": name, "constant": of_file, "as_found": found, "as_left": left, "uncertainty": uncertainty}


def state(lab, *pieces):
    """Return the state of equipment for a run that starts now."""
    with lab.reader() as reader:
        return equipment_of_run(reader, [named_piece(lab.catalogue, reader, p) for p in pieces], T0)


def line(lab, piece):
    with lab.reader() as reader:
        return next(found for found in inventory(lab.catalogue, reader, T0) if found.piece == piece)


@pytest.mark.parametrize("piece", ["bench-1", "bench-1/coaxial-12", "thermo-2/probe_1"])
def test_a_piece_goes_out_of_service_and_back_with_reason_and_person(lab, piece):
    assert state(lab, piece) == EquipmentOfRun((), (), state(lab, piece).changes)
    do(lab, "out", piece, because="dropped")
    with pytest.raises(SettingError, match=r"is out of service, by m.keeper, .*: dropped; .*daq equipment back"):
        state(lab, piece)
    with pytest.raises(SettingError, match="is out of service"):
        do(lab, "out", piece, because="again")
    assert (line(lab, piece).in_service, line(lab, piece).state) == (False, "out of service: dropped")
    do(lab, "back", piece, because="repaired")
    assert line(lab, piece).in_service
    with pytest.raises(SettingError, match="is in service"):
        do(lab, "back", piece, because="again")
    assert [(e.what, e.who) for e in audited(lab)] == [
        ("equipment_out_of_service", "m.keeper"),
        ("equipment_back_in_service", "m.keeper"),
    ]
    with lab.reader() as reader:
        words = [e.words for e in history_of(reader, named_piece(lab.catalogue, reader, piece))]
    assert ["dropped" in words[0], "repaired" in words[1]] == [True, True]


def test_a_calibration_does_not_end_out_of_service_nor_change_who_stated_it(lab):
    do(lab, "out", "bench-1", because="dropped")
    lab.login = "another"
    calibrated(lab, "bench-1", due=NEXT_YEAR)
    with pytest.raises(SettingError, match="by m.keeper, .*: dropped"):
        state(lab, "bench-1")


def test_unknown_pieces_constants_units_and_days_are_refused_by_name(lab):
    for order, words in (
        ({"piece": "bench-9"}, "there is no piece of equipment 'bench-9'"),
        ({"piece": "bench-1", "serial": "X"}, "has the serial number 'R-1042', not 'X'"),
        ({"piece": "bench-1", "day": NEXT_YEAR}, "is in the future"),
        ({"piece": "bench-1", "due": LAST_YEAR}, "is not after the day"),
        ({"piece": "bench-1", "values": [constant("torque", "1 uN.m", "1 uN.m", "1 uN.m")]}, "no constant 'torque'"),
        (
            {"piece": "bench-1", "values": [constant("torque_full_scale", "1 K", "1 K", "1 K")]},
            "cannot be expressed in uN.m",
        ),
        ({"piece": "bench-1", "values": [constant("torque_full_scale", "1", "1", "1")]}, "needs its unit"),
    ):
        with pytest.raises(SettingError, match=words):
            calibrated(lab, **order)
    assert audited(lab) == []


def test_every_wrong_value_of_a_certificate_is_named_by_its_place(lab):
    good = constant("torque_full_scale", "1 mN.m", "1 mN.m", "3 uN.m")
    wrong = [
        constant("torque", "1 uN.m", "1 uN.m", "1 uN.m"),
        good,
        constant("torque_full_scale", "1", "1 mN.m", "1 uN.m"),
    ]
    with pytest.raises(SettingErrors) as caught:
        calibrated(lab, "bench-1", *wrong)
    assert [e.key for e in caught.value.errors] == ["values[0].name", "values[2].as_found"]
    assert audited(lab) == []


@pytest.mark.parametrize(
    ("piece", "name", "same", "other", "uncertainty"),
    [
        ("bench-1", "torque_full_scale", "1 mN.m", "1.001 mN.m", "3 uN.m"),
        ("bench-1/coaxial-12", "inner_radius", "12 mm", "0.01201 m", "0.002 mm"),
        ("bench-1/coaxial-12", "end_factor", "1.1", "1.12", "0.01"),
        ("thermo-2/probe_1", "offset", "0.1 K", "0.13 K", "0.02 K"),
    ],
)
def test_a_constant_that_the_file_does_not_have_as_left_is_named_and_changes_nothing(
    lab, piece, name, same, other, uncertainty
):
    before = lab.catalogue.instrument(piece.partition("/")[0])
    assert calibrated(lab, piece, constant(name, other, same, uncertainty))["differing"] == []
    assert state(lab, piece).cautions == ()
    done = calibrated(lab, piece, constant(name, same, other, uncertainty))
    (text,) = done["differing"]
    assert f"left {name} of {piece} at " in text
    assert "and the file has" in text
    (caution,) = state(lab, piece).cautions
    assert (caution.code, caution.text) == ("calibrated_constant_differs", text)
    assert line(lab, piece).remarks == (text,)
    assert lab.catalogue.instrument(piece.partition("/")[0]) == before


def test_a_constant_that_the_file_does_not_state_any_more_is_named(lab):
    calibrated(lab, "bench-1", constant("torque_full_scale", "1000 uN.m", "1000 uN.m", "3 uN.m"))
    lab.catalogue.instruments["bench-1"] = lab.catalogue.instrument("bench-1").model_copy(
        update={"specification": None}
    )
    (caution,) = state(lab, "bench-1").cautions
    assert caution.code == "calibrated_constant_missing"


def test_a_calibration_keeps_its_values_with_unit_and_uncertainty_and_its_history(lab):
    point = constant("at 25 Cel", "25.12 Cel", "25.01 Cel", "0.03 K", of_file=False)
    calibrated(lab, "thermo-2/probe_1", point, serial="P-7", due=NEXT_YEAR)
    calibrated(lab, "thermo-2/probe_1", certificate="K-2", day=TODAY)
    with lab.reader() as reader:
        first, second = history_of(reader, named_piece(lab.catalogue, reader, "thermo-2/probe_1"))
    (value,) = first.kept.record.calibration.values
    assert (value.unit, value.as_found, value.as_left, value.uncertainty) == ("Cel", 25.12, 25.01, 0.03)
    assert "as found 25.12, as left 25.01 ± 0.03 Cel (k = 2)" in first.words
    assert (second.kept.record.serial, second.kept.record.calibration.certificate) == ("P-7", "K-2")
    with pytest.raises(SettingError, match="a correction needs a reason"):
        calibrated(lab, "thermo-2/probe_1", certificate="K-2", day=TODAY, because="")
    # A correction of the older one leaves the newest one in force.
    calibrated(lab, "thermo-2/probe_1", certificate="K-1", because="read wrongly")
    assert line(lab, "thermo-2/probe_1").certificate == "K-2"


@pytest.mark.parametrize(
    ("due", "late"), [(day(T0 - 86_400 * 10**9), True), (TODAY, False), (NEXT_YEAR, False), (None, False)]
)
def test_a_calibration_holds_until_the_end_of_its_last_day(lab, due, late):
    calibrated(lab, "bench-1", due=due)
    assert bool(state(lab, "bench-1").overdue) == late
    assert line(lab, "bench-1").calibration_overdue == late
    if late:
        assert state(lab, "bench-1").overdue[0].due == due


def test_an_exchanged_instrument_has_neither_the_calibration_nor_the_lock_of_the_one_before(lab):
    calibrated(lab, "bench-1", due=NEXT_YEAR)
    assert state(lab, "bench-1").overdue == ()
    do(lab, "out", "bench-1", because="dropped")
    lab.store.submit(SeeInstrument("bench-1", "rotational", "R-2000", T0)).result(10)
    (late,) = state(lab, "bench-1").overdue
    assert (late.piece, late.due) == ("bench-1", "")
    assert "none is recorded for this serial number" in line(lab, "bench-1").calibration
    # The dropped one at another bench stays out of service.
    lab.store.submit(SeeInstrument("bench-3", "rotational", "R-1042", T0)).result(10)
    if lab.catalogue.instrument("bench-3").driver == lab.catalogue.instrument("bench-1").driver:
        with pytest.raises(SettingError, match="recorded as bench-1 is out of service"):
            state(lab, "bench-3")
    do(lab, "back", "bench-1", because="repaired")
    assert state(lab, "bench-3").overdue == ()


SERIALS = ("", "A", "B")


@pytest.mark.parametrize("part", ["instrument", "geometry", "probe"])
@pytest.mark.parametrize(("recorded", "now"), list(itertools.product(SERIALS, SERIALS)))
def test_every_combination_of_serial_numbers_errs_on_the_safe_side(lab, part, recorded, now):
    """Out of service holds unless the numbers differ for certain; a calibration counts only where they are equal."""
    ident = "x" if part == "probe" else equipment_id("x", recorded)
    record = Equipment(id=ident, piece="x", part=part, serial=recorded, make="m", out_of_service="bent").model_copy(
        update={"calibration": None}
    )
    data = record.model_dump(mode="json") | {"calibration": {"certificate": "K", "day": LAST_YEAR, "due": NEXT_YEAR}}
    lab.change(Change("equipment", record.id, "equipment_calibrated", data, record.keys()))
    piece = Piece("x", part, now, "m")
    other = Piece("y", part, now, "m")
    with lab.reader() as reader:
        known_other = bool(recorded and now and recorded != now) and part != "probe"
        assert bool(out_of_service(reader, piece)) != known_other
        assert bool(out_of_service(reader, other)) == (part != "probe" and recorded == now != "")
        late = overdue(records_of(reader, piece), piece, TODAY)
        assert (late is None) == (part == "probe" or recorded == now)


@pytest.mark.slow
def test_any_changed_byte_of_a_record_of_equipment_is_named(lab, tmp_path):
    calibrated(
        lab, "bench-1", constant("torque_full_scale", "1 mN.m", "1 mN.m", "3 uN.m"), due=day(T0 - 86_400 * 10**9)
    )
    do(lab, "out", "bench-1", because="dropped")
    with lab.reader() as reader:
        rows = reader.query("SELECT rowid, data FROM records WHERE kind = 'equipment' ORDER BY revision", [])
    lab.store.close()
    places = [(row["rowid"], at) for row in rows for at in range(0, len(row["data"]), 7)]
    missed = []
    for number, (rowid, at) in enumerate(places):
        copy = tmp_path / f"copy-{number}.db"
        with falsified(tmp_path / "daq.db", copy) as db:
            (data,) = db.execute("SELECT data FROM records WHERE rowid = ?", (rowid,)).fetchone()
            changed = data[:at] + ("x" if data[at] != "x" else "y") + data[at + 1 :]
            db.execute("UPDATE records SET data = ? WHERE rowid = ?", (changed, rowid))
        with Stored(copy) as stored:
            found = [d.text for d in Comparison().of(stored)]
        copy.unlink()
        if not any("equipment" in text for text in found):
            missed.append((rowid, at, found))
    assert missed == []


def test_the_outcome_is_json(lab):
    json.dumps(calibrated(lab, "bench-1", constant("torque_full_scale", "1 mN.m", "1.1 mN.m", "3 uN.m")))
    assert line(lab, "bench-1").as_json()["certificate"] == "K-1"
