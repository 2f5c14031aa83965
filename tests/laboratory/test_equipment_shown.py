"""The records of equipment in `daq check`, `daq doctor`, `daq equipment` and `daq fit`; what is off at first."""

import json

import pytest

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.cli.setup.check import Findings
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.given import Given
from daq.app.laboratory.laboratory import Laboratory
from daq.app.setup.catalogue import Catalogue
from daq.app.workshop.equipping import equipment_findings
from daq.core.errors import SettingError
from daq.methods.files.daemon import Daemon
from daq.methods.files.fields import Model
from daq.methods.files.instrument import VerificationInterval
from daq.methods.planning.standing import day
from tests.laboratory.parts import FixedClock
from tests.support.runs.stored import T0

DAY = 86_400 * 10**9
PAIRS = [("bench-1", "coaxial-15"), ("bench-1", "coaxial-12")]


@pytest.fixture(scope="module")
def examples():
    return Catalogue.load(examples_dir())


@pytest.fixture
def lab(tmp_path, examples):
    state = tmp_path / "state"
    state.mkdir(mode=0o700)
    with Store(database_path(state)) as store:
        yield Laboratory(store, examples, FixedClock(), "m.keeper")


def act(lab, name, **order):
    return carry_out(lab, name, order)


@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.slow)], ids=["one", "every geometry"])
def test_check_takes_the_recorded_geometry_as_the_fitted_one(lab, every):
    """Every geometry of every instrument of the examples that has several."""
    pairs = [(i.name, g) for i in lab.catalogue.instruments.values() if len(i.geometries) > 1 for g in i.geometries]
    assert set(PAIRS) <= set(pairs)
    for instrument, geometry in pairs if every else PAIRS[:1]:
        act(lab, "fit", instrument=instrument, geometry=geometry)
        found = Findings()
        found.folder(examples_dir(), str(lab.store.path.parent), recorded=True)
        fitted = {b.geometry for b in found.benches if b.instrument == instrument and b.fitted and b.fits}
        assert fitted <= {geometry}, (instrument, geometry)
        if instrument == "bench-1":
            assert fitted == {geometry}
    untouched = Findings()
    untouched.folder(examples_dir())
    assert {b.geometry for b in untouched.benches if b.instrument == "bench-1" and b.fitted and b.fits} == {
        "coaxial-12"
    }


def test_doctor_names_what_is_overdue_or_differs_or_is_out_of_service(lab, examples):
    folder = lab.store.path.parent
    assert list(equipment_findings(examples, folder, T0)) == []
    act(lab, "equipment_out", piece="thermo-1", because="dropped")
    value = {
        "name": "torque_full_scale",
        "constant": True,
        "as_found": "1 mN.m",
        "as_left": "1.1 mN.m",
        "uncertainty": "3 uN.m",
    }
    act(
        lab, "equipment_calibrated", piece="bench-1", certificate="K-1", day=day(T0 - 9 * DAY), due=day(T0 - DAY),
        values=[value], found="inside",
    )  # fmt: skip
    lead = examples.instrument("bench-2")
    every = VerificationInterval.model_validate({"every": "31 d"})
    examples.instruments["bench-2"] = lead.model_copy(update={"verification": every})
    try:
        found = list(equipment_findings(examples, folder, T0))
    finally:
        examples.instruments["bench-2"] = lead
    assert [(f.what, f.ok) for f in found] == [
        ("equipment bench-1", False), ("equipment bench-1", False), ("equipment bench-2", False), ("equipment thermo-1", True),
    ]  # fmt: skip
    assert f"calibration OVERDUE since {day(T0 - DAY)}" in found[0].say
    assert "left torque_full_scale of bench-1 at 1100 uN.m, and the file has 1000 uN.m" in found[1].say
    assert "never passed" in found[2].say


def test_the_commands_take_out_put_back_calibrate_list_and_show(tmp_path, capsys, monkeypatch):
    state = str(tmp_path / "state")
    monkeypatch.setattr("time.time_ns", lambda: T0)

    def daq(*args):
        code = main(["--config", str(examples_dir()), "--state", state, *args])
        done = capsys.readouterr()
        return code, done.out, done.err

    assert "is out of service" in daq("equipment", "out-of-service", "bench-1/coaxial-15", "--because", "bent")[1]
    assert "no run starts: bench-1/coaxial-15 is out of service" in daq("fit", "bench-1", "coaxial-15")[1]
    assert "is in service again" in daq("equipment", "back", "bench-1/coaxial-15", "--because", "straight")[1]
    code, out, _ = daq(
        "equipment", "calibrated", "bench-1", "--certificate", "K-1", "--day", "2025-01-02", "--due", "2025-03-01",
        "--constant", "torque_full_scale", "1.1 mN.m", "1.1 mN.m", "3 uN.m", "--point", "at 20 %", "20.1 %", "20.0 %", "0.1 %",
    )  # fmt: skip
    assert code == 0
    assert "holds until 2025-03-01" in out
    assert "and the file has 1000 uN.m" in out
    assert "OVERDUE since 2025-03-01" in daq("equipment", "list")[1]
    (line,) = [x for x in json.loads(daq("equipment", "list", "--json")[1]) if x["piece"] == "bench-1"]
    assert (line["calibration_overdue"], line["certificate"], line["in_service"]) == (True, "K-1", True)
    out = daq("equipment", "show", "bench-1")[1]
    assert "at 20 %: as found 20.1, as left 20 ± 0.1 % (k = 2)" in out
    assert [e["what"] for e in json.loads(daq("equipment", "show", "bench-1/coaxial-15", "--json")[1])["history"]] == [
        "equipment_out_of_service", "equipment_back_in_service",
    ]  # fmt: skip
    assert daq("equipment", "back", "bench-1", "--because", "x")[0] == 2


def test_page_people_and_signing_are_off_until_they_are_switched_on(lab):
    """All that the daemon's file can switch on is off without a line in it, and acts need no person then."""
    settings = Daemon()
    switches = {
        f"{name}.{key}": getattr(table, key)
        for name in Daemon.model_fields
        if isinstance(table := getattr(settings, name), Model)
        for key, field in type(table).model_fields.items()
        if field.annotation is bool
    }
    assert switches["people.required"] is False
    assert not any(switches.values())
    doors = {name for name in Daemon.model_fields if getattr(settings, name) is None}
    assert {"mqtt", "sparkplug", "metrics", "socket_group"} <= doors
    for name in {"page", "signing"} & set(Daemon.model_fields) - doors:
        assert not any(v for k, v in switches.items() if k.startswith(name)), name
    example = Catalogue.load(examples_dir()).daemon
    assert (example.people.required, example.metrics, example.sparkplug) == (False, None, None)
    act(lab, "equipment_out", piece="bench-1", because="dropped")
    with pytest.raises(SettingError, match="people are not switched on"):
        carry_out(lab, "equipment_back", {"piece": "bench-1", "because": "x"}, Given(person="m.keeper"))
