"""Damage at a bench is a record of equipment: one place states what is out of service, and one act puts it back."""

import asyncio
import itertools
from dataclasses import replace
from types import SimpleNamespace

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.records import Change
from daq.adapters.store.store import Store
from daq.app.daemon.shift.bench_hands import BenchHands
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.bench.flows import BenchFlows
from daq.app.laboratory.laboratory import Laboratory, find
from daq.app.records.equipment_state import equipment_of_run
from daq.app.records.pieces import pieces_of_run
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import fits_of, with_fits
from daq.core.errors import SettingError, StoreError
from daq.laboratory.bench.bench_events import Pressed, Text
from daq.laboratory.bench.benchstate import BenchState, NamedSample
from daq.laboratory.bench.flow import step
from daq.laboratory.equipment import Equipment
from daq.methods.files.instrument import Probe
from tests.bench_flow.flows import FACTS, in_stage
from tests.support.laboratories import FixedClock, audited
from tests.support.runs.stored import T0

NAMED = NamedSample(sample="E-7", method="engobe-qc 1", signal="thermo-2.probe_1", low=24.8, high=25.2)
SERIALS = ("", "C-7", "C-8")


@pytest.fixture(scope="module")
def catalogue():
    """Return the examples, with a declared probe."""
    found = Catalogue.load(examples_dir())
    thermometer = found.instruments["thermo-2"]
    found.instruments["thermo-2"] = thermometer.model_copy(update={"probes": {"probe_1": Probe()}})
    return found


@pytest.fixture
def lab(tmp_path, catalogue):
    """Return a laboratory with the work at its benches, whose instruments do not answer."""
    with Store(tmp_path / "daq.db") as store:
        lab = Laboratory(store, catalogue, FixedClock(), "m.keeper")
        hands = asyncio.run(made(lab))
        numbers = (f"note-{number}" for number in itertools.count())
        lab.flows = BenchFlows(lab.store, lab.clock, hands, lambda: next(numbers))
        yield lab


async def made(lab):
    return BenchHands({}, SimpleNamespace(active={}), lambda: lab.catalogue, lab.clock, lambda *_: None)


def press(lab, command):
    return carry_out(lab, "bench_command", {"bench": "bench-1", "command": command, "seen": revision(lab)})


def revision(lab):
    return lab.flows.state("bench-1")[1]


def damage(lab, because):
    """Take the fitted geometry out of service at the bench."""
    press(lab, "damage")
    carry_out(lab, "bench_text", {"bench": "bench-1", "text": because, "seen": revision(lab)})
    press(lab, "confirm")


def for_a_run(lab):
    """Raise the refusal of a run on the bench with its companion."""
    with lab.reader() as reader:
        catalogue = with_fits(lab.catalogue, fits_of(reader, ["bench-1", "thermo-2"]))
        return equipment_of_run(reader, pieces_of_run(catalogue, ["bench-1", "thermo-2"], {}), T0)


def facts(lab, named=NAMED):
    with lab.reader() as reader:
        hands = lab.flows._hands
        return hands.facts(reader, BenchState(id="bench-1", named=named))


def records(lab):
    with lab.reader() as reader:
        return [r for r in (find(reader, Equipment, i) for i in ("bench-1/coaxial-12", "bench-1/coaxial-12 C-7")) if r]


@pytest.mark.parametrize("serial", SERIALS[:2])
def test_damage_at_a_bench_is_out_of_service_everywhere_until_the_act_of_equipment(lab, serial):
    carry_out(lab, "fit", {"instrument": "bench-1", "geometry": "coaxial-12", "serial": serial})
    before = len(audited(lab))
    damage(lab, "a dent at the rim")
    (record,) = records(lab)
    assert (record.record.out_of_service, record.record.serial) == ("a dent at the rim", serial)
    assert (record.who, record.because) == ("m.keeper", "a dent at the rim")
    words = facts(lab).out_of_service
    for part in ("bench-1/coaxial-12", "out of service, by m.keeper", "a dent at the rim", "daq equipment back"):
        assert part in words
    with pytest.raises(SettingError, match="a dent at the rim"):
        for_a_run(lab)
    assert [e.what for e in audited(lab)[-2:]] == ["bench_confirm", "equipment_out_of_service"]
    assert len(audited(lab)) == before + 4
    carry_out(lab, "equipment_back", {"piece": "bench-1/coaxial-12", "because": "ground and measured"})
    assert facts(lab).out_of_service == ""
    for_a_run(lab)


def test_a_second_damage_is_refused_and_changes_nothing(lab):
    carry_out(lab, "fit", {"instrument": "bench-1", "geometry": "coaxial-12"})
    carry_out(lab, "equipment_out", {"piece": "bench-1/coaxial-12", "because": "bent"})
    with pytest.raises(SettingError, match="is out of service, by m.keeper, .*: bent"):
        damage(lab, "a dent")
    state, _, message = lab.flows.state("bench-1")
    assert (state.stage, message.code) == ("damaging", "")
    assert records(lab)[0].record.out_of_service == "bent"
    press(lab, "back")
    assert lab.flows.state("bench-1")[0].stage == "zeroing"


def test_bench_and_piece_change_together_or_not_at_all(lab, monkeypatch):
    carry_out(lab, "fit", {"instrument": "bench-1", "geometry": "coaxial-12"})
    hands = lab.flows._hands
    taken_out = hands.taken_out

    def stale(*args):
        change = taken_out(*args)
        lab.change(Change(change.kind, change.id, "equipment_out_of_service", change.data, change.keys))
        return change

    monkeypatch.setattr(hands, "taken_out", stale)
    with pytest.raises(StoreError):
        damage(lab, "a dent")
    assert lab.flows.state("bench-1")[0].stage == "damaging"
    assert [e.what for e in audited(lab)].count("bench_confirm") == 0


@pytest.mark.parametrize(("fitted", "recorded"), [*itertools.product(SERIALS, repeat=2)])
def test_a_bench_refuses_exactly_where_the_run_would_be_refused(lab, fitted, recorded):
    """Every pair of serial numbers: stated when it was taken out, and of the geometry that is fitted now."""
    carry_out(lab, "fit", {"instrument": "bench-1", "geometry": "coaxial-12", "serial": recorded})
    damage(lab, "a dent")
    carry_out(lab, "fit", {"instrument": "bench-1", "geometry": "coaxial-12", "serial": fitted})
    refused = False
    try:
        for_a_run(lab)
    except SettingError:
        refused = True
    # A serial number that is known on one side only is taken on the safe side.
    assert refused == (fitted == recorded or "" in (fitted, recorded))
    assert bool(facts(lab).out_of_service) == refused


@pytest.mark.parametrize(
    ("piece", "refuses"),
    [
        ("bench-1", True),
        ("bench-1/coaxial-12", True),
        ("bench-1/coaxial-15", False),
        ("thermo-2", True),
        ("thermo-2/probe_1", True),
        ("bench-2", False),
    ],
)
def test_each_piece_of_the_run_keeps_a_sample_from_its_checklist(lab, piece, refuses):
    carry_out(lab, "fit", {"instrument": "bench-1", "geometry": "coaxial-12"})
    carry_out(lab, "equipment_out", {"piece": piece, "because": "dropped"})
    found = facts(lab)
    assert ("dropped" in found.out_of_service) == refuses
    seen = replace(found, motor_still=True, torque=0.0, zero_limit=0.5)
    state = in_stage("checking").model_copy(update={"named": NAMED})
    done = step(state, Pressed("confirm"), seen)
    assert (done.message.code == "out_of_service") == refuses
    assert (done.acts == ()) == refuses
    named = step(in_stage("choosing"), Text("E-7", NAMED), replace(seen, utc_ns=FACTS.utc_ns))
    assert (named.state.stage == "choosing") == refuses
