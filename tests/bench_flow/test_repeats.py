"""A repeat after a valid result outside its limits needs an assigned cause; each cause holds for one valid result."""

import shutil

import pytest

from daq.adapters.paths import database_path
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.bench.handing_over import left_over
from daq.app.laboratory.bench.naming import named_sample, outcome_of
from daq.app.laboratory.laboratory import find, new
from daq.app.laboratory.ordering import completed
from daq.app.laboratory.samples import in_state
from daq.app.records.judged.judging import without_cause
from daq.app.setup.run_order import RunOrder
from daq.core.errors import NotAllowedError, SettingError
from daq.laboratory.bench.repeatcause import Handover, RepeatCause
from daq.laboratory.reports import Report
from daq.laboratory.samples import Sample
from daq.methods.files.producttest import Replicates
from tests.bench_flow.flows import in_stage
from tests.bench_flow.parts import with_flows
from tests.support.laboratories import cheap_hashes, laboratory
from tests.support.runs.full_database import TOPICS
from tests.support.runs.virtual_bench import StoredBench, run_id_of
from tests.support.signed_laboratories import signing_lab

METHOD = "clear-glaze-qc"
THICK = "clear-glaze-thick"


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """The state directory with runs within and outside the limits; two samples have a second run."""
    bench = StoredBench(tmp_path_factory.mktemp("measured") / "state")
    for sample, fluid, fill in (
        ("in", "clear-glaze", ""),
        ("out", THICK, ""),
        ("twice", THICK, "1"),
        ("twice", "clear-glaze", "2"),
        ("free", THICK, ""),
    ):
        bench.measure(sample, fluid, **({"fill": fill} if fill else {}))
    return bench.state


@pytest.fixture
def lab(measured, tmp_path):
    shutil.copyfile(database_path(measured), tmp_path / "daq.db")
    with laboratory(tmp_path) as lab:
        for sample in ("in", "out", "twice"):
            carry_out(lab, "sample_add", {"id": sample, "product": "clear-glaze"})
        yield lab


def needed(lab, sample):
    with lab.reader() as reader:
        return without_cause(reader, sample, METHOD)


def test_a_repeat_needs_a_cause_only_after_a_valid_outside(lab):
    assert needed(lab, "in") == ""
    assert needed(lab, "out") == run_id_of("out", THICK)
    # The value reported first stays outside, so a later result within the limits needs a cause of its own.
    assert needed(lab, "twice") == run_id_of("twice", fill="2")


def test_a_replicate_that_the_product_asks_for_needs_no_cause(tmp_path):
    """The rule is that of the product's version with which the sample was measured."""
    bench = StoredBench(tmp_path)
    product = bench.catalogue.product("clear-glaze")
    rule = Replicates.model_validate({"count": 2, "repeatability_limit": "15 mPa.s"})
    bench.catalogue.products["clear-glaze"] = product.model_copy(update={"replicates": rule, "version": "2"})
    run = bench.measure("pair", THICK)
    with laboratory(tmp_path) as lab:
        assert needed(lab, "pair") == ""
        lab.catalogue.products["clear-glaze"] = bench.catalogue.products["clear-glaze"]
        with lab.reader() as reader:
            assert outcome_of(reader, lab.catalogue, run).repeat == "replicate"


def order_of(lab, sample, **more):
    with lab.reader() as reader:
        order = RunOrder(sample=sample, instrument="bench-1", filling="fresh")
        return completed(order, lab.catalogue, reader, ("bench-1",), **more)


@pytest.mark.parametrize("sample", ["out", "twice"])
def test_every_way_to_a_repeat_is_refused_until_a_cause_is_assigned(lab, sample):
    run = needed(lab, sample)
    with pytest.raises(SettingError, match=f"needs an assigned cause .* daq repeat {run[:8]} --cause"):
        order_of(lab, sample)
    with lab.reader() as reader, pytest.raises(SettingError, match="needs an assigned cause"):
        named_sample(reader, lab.catalogue, ("bench-1",), "bench-1", sample)
    carry_out(lab, "sample_cancel", {"id": sample, "because": "done"})
    with pytest.raises(SettingError, match="needs an assigned cause"):
        carry_out(lab, "sample_again", {"id": sample, "because": "until it fits"})
    carry_out(lab, "repeat_assign", {"run": run, "cause": "bubbles", "because": "bubbles at the rotor"})
    carry_out(lab, "sample_again", {"id": sample, "because": "cause assigned"})
    assert order_of(lab, sample).method_id == "clear-glaze-qc"
    with lab.reader() as reader:
        assert named_sample(reader, lab.catalogue, ("bench-1",), "bench-1", sample).filling == "fresh"
        kept = find(reader, RepeatCause, run)
    assert (kept.record.cause, kept.because, kept.what) == ("bubbles", "bubbles at the rotor", "cause_assigned")


@pytest.mark.parametrize("filling", ["same", "fresh"])
def test_a_repeat_with_its_reason_may_be_of_a_sample_that_is_done_and_its_keys_do_not_open_it(lab, filling):
    """By the keys of the bench alone: reason, checklist, and the order of the run is complete."""
    lab = with_flows(lab)
    lab.change(in_state(lab.get(Sample, "in"), "done", "sample_done"))
    judged = in_stage("verdict")
    named = judged.named.model_copy(update={"sample": "in"})
    lab.change(new(judged.model_copy(update={"id": "bench-1", "named": named}), "bench_began"))
    for command, text in ((filling, "torque was unsteady"), ("confirm", ""), ("confirm", "")):
        seen = lab.flows.state("bench-1")[1]
        carry_out(lab, "bench_command", {"bench": "bench-1", "command": command, "seen": seen})
        if text:
            seen = lab.flows.state("bench-1")[1]
            carry_out(lab, "bench_text", {"bench": "bench-1", "text": text, "seen": seen})
    assert lab.flows.state("bench-1")[0].stage == "starting"
    assert lab.get(Sample, "in").record.state == "done"
    assert order_of(lab, "in", reopens=True).method_id == "clear-glaze-qc"
    with pytest.raises(SettingError, match="is done"):
        order_of(lab, "in")
    lab.change(in_state(lab.get(Sample, "in"), "cancelled", "sample_cancelled"))
    with pytest.raises(SettingError, match="is cancelled"):
        order_of(lab, "in", reopens=True)


def test_a_cause_is_for_the_newest_valid_run_outside_and_opens_its_sample(lab):
    for run, words in (
        (run_id_of("in"), "needs no assigned cause"),
        (run_id_of("twice", THICK, fill="1"), "the newest valid run outside is"),
    ):
        with pytest.raises(SettingError, match=words):
            carry_out(lab, "repeat_assign", {"run": run, "cause": "other", "because": "a second look"})
    done = carry_out(lab, "repeat_assign", {"run": "free", "cause": "other", "because": "a second view"})
    assert not done["opened"]
    lab.change(in_state(lab.get(Sample, "out"), "done", "sample_done"))
    carry_out(lab, "repeat_assign", {"run": "out", "cause": "sampling", "because": "top of the bucket"})
    assert lab.get(Sample, "out").record.state == "open"
    with pytest.raises(SettingError, match="needs no assigned cause"):
        carry_out(lab, "repeat_assign", {"run": "out", "cause": "sampling", "because": "again"})


def test_the_handover_lists_what_is_left_and_level_and_zero_are_due(lab):
    lab = with_flows(lab)
    carry_out(lab, "bench_command", {"bench": "bench-1", "command": "bath"})
    carry_out(lab, "bench_text", {"bench": "bench-1", "text": "G-7", "seen": 1})
    carry_out(lab, "bench_text", {"bench": "bench-1", "text": "G-8", "seen": 2})
    with lab.reader() as reader:
        found = [(f.what, f.sample) for f in left_over(reader, lab.catalogue, lab.clock.utc_ns())]
    assert found == [("fill", "G-8"), ("cup", "G-7"), ("repeat", "in"), ("repeat", "out"), ("repeat", "twice")]
    listed = carry_out(lab, "handover", {"remark": "quiet"})["listed"]
    assert [(f["what"], f["sample"]) for f in listed] == found
    with lab.reader() as reader:
        (entry,) = [e for e in reader.audit() if e.what == "handed_over"]
        assert find(reader, Handover, entry.subject).because == "quiet"


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    """A bench with a sample that was measured on a real instrument, within the limits and outside."""
    bench = StoredBench(tmp_path_factory.mktemp("real") / "state", topics=TOPICS)
    return bench, [bench.measure("in", simulated=False), bench.measure("out", THICK, simulated=False)]


def assigned(lab, person, sample):
    carry_out(lab.at(person), "repeat_assign", {"run": lab.runs[1], "cause": "bubbles", "because": "at the rotor"})
    return True


def by_command(lab, person, sample):
    try:
        carry_out(lab.at(person), "sample_again", {"id": sample, "because": "torque was unsteady"})
    except NotAllowedError:
        return False
    return True


# A repeat at the bench opens its sample with the start of its run: `test_refused_repeats`.
WAYS = {"command": (by_command, "in"), "cause": (assigned, "out")}
OPENINGS = [
    pytest.param(way, person, certified, marks=() if (way, certified) == ("command", True) else pytest.mark.slow)
    for way in WAYS
    for person in ("m.keeper", "b.lind")
    for certified in (True, False)
    if (way, person) != ("cause", "m.keeper")  # a cause is for a reviewer only
]


@pytest.mark.parametrize(("way", "person", "certified"), OPENINGS)
def test_no_way_to_open_a_sample_leaves_its_certificate_released(real, tmp_path, monkeypatch, way, person, certified):
    cheap_hashes(monkeypatch)
    opening, sample = WAYS[way]
    run = run_id_of("in") if sample == "in" else run_id_of("out", THICK)
    with signing_lab(*real, tmp_path) as lab:
        lab.do("sample_add", id=sample, product="clear-glaze")
        lab.keep(sample)
        lab.sign(run)
        lab.sign(f"{sample}/{METHOD}", of="reportable")
        made = [lab.do("certificate_release", of=of)["id"] for of in (run, sample) if certified]
        for ident in made:
            lab.sign(ident, of="report")
        lab.lab.change(in_state(lab.lab.get(Sample, sample), "done", "sample_done"))
        allowed = person != "m.keeper" or not certified
        assert opening(lab, person, sample) == allowed
        assert lab.lab.get(Sample, sample).record.state == ("open" if allowed else "done")
        states = {lab.lab.get(Report, ident).record.state for ident in made}
        assert states == ({"withdrawn" if allowed else "released"} if made else set())
        gone = {e["data"]["subject"] for e in lab.messages("signature") if e["data"]["state"] == "withdrawn"}
        assert gone == (set(made) if allowed else set())
        assert lab.disagreements() == []
