"""List what a shift leaves: runs in progress, filled cups and repeats due; and the act that hands it over."""

import uuid
from dataclasses import dataclass
from typing import Any, Final, Literal

from daq.adapters.store.reading import Reader
from daq.app.laboratory.act import Act
from daq.app.laboratory.bench.cups import cups_in_bath
from daq.app.laboratory.laboratory import Laboratory, changed, listed, new
from daq.app.records.checks.controls import required_controls
from daq.app.records.judged.judging import without_cause
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode
from daq.laboratory.bench.benchstate import FILLED, BenchState
from daq.laboratory.bench.repeatcause import Handover
from daq.laboratory.kinds import LAST, worklist_key
from daq.laboratory.samples import Sample
from daq.methods.files.fields import Label, Model

Left = Literal["run", "fill", "cup", "discard", "cause", "repeat", "control"]
"""Kind of a thing that a shift leaves: a run in progress, a filled vessel, a cup in the bath, a fill to discard, a
repeat that waits for an assigned cause, a measured sample of which a reportable result is missing, and a control that
has not passed."""


@dataclass(frozen=True, slots=True)
class LeftOver:
    """One thing that a shift leaves.

    Attributes:
        what: see `Left`.
        bench, sample, run: where it is; "" where that is not known.
        since_utc_ns: time since when; 0 where it is not known.
    """

    what: Left
    bench: str
    sample: str
    run: str = ""
    since_utc_ns: int = 0


class HandOver(Model):
    """Order to hand the shift over."""

    remark: Label = ""


def left_over(reader: Reader, catalogue: Catalogue, now_utc_ns: int) -> list[LeftOver]:
    """Return what the shift leaves at a time (UTC, ns), in the order of `Left`; a control has its fluid as sample."""
    found = [LeftOver("run", r.instrument, r.sample, r.id, r.began_utc_ns) for r in reader.unfinished_runs()]
    states = [k.record for k in listed(reader, BenchState, "id", "", LAST, limit=-1)]
    found += [
        LeftOver("fill", s.id, s.named.sample, s.run)
        for s in states
        if s.named is not None and s.stage in FILLED and s.stage not in ("starting", "running")
    ]
    found += [
        LeftOver("cup", s.id, cup.sample, "", cup.since_utc_ns) for s in states for cup in cups_in_bath(reader, s)
    ]
    found += [LeftOver("discard", s.id, sample) for s in states for sample in s.discard]
    awaited = [(s.id, a) for s in states for a in s.awaited if _still_awaited(reader, a.sample, a.run)]
    found += [LeftOver("cause", bench, a.sample, a.run) for bench, a in awaited]
    known = {f.sample for f in found}
    found += [f for f in _measured_and_open(reader, catalogue) if f.sample not in known]
    return [*found, *_controls(reader, catalogue, now_utc_ns)]


def _controls(reader: Reader, catalogue: Catalogue, now_utc_ns: int) -> list[LeftOver]:
    """Return the required controls that have not passed."""
    out = []
    for bench in required_controls(reader, catalogue, now_utc_ns):
        control, last = bench.found, bench.found.last
        if control.state != "passed":
            run, since = ("", 0) if last is None else (last.run, last.utc_ns)
            out.append(LeftOver("control", bench.instrument, control.fluid, run, since))
    return out


def _still_awaited(reader: Reader, sample: str, run_id: str) -> bool:
    run = reader.run(run_id)
    if run is None:
        return False
    return without_cause(reader, sample, run.method_id) == run_id


def _measured_and_open(reader: Reader, catalogue: Catalogue) -> list[LeftOver]:
    """Return the samples of all worklists that have a run already."""
    benches = ("", *catalogue.instruments)
    kept = [k for bench in benches for k in listed(reader, Sample, worklist_key(bench), "", LAST, limit=-1)]
    newest = [run for k in kept for run in reader.runs(limit=1, sample=k.record.id)]
    return [LeftOver("repeat", r.instrument, r.sample, r.id, r.began_utc_ns) for r in newest]


def hand_over(laboratory: Laboratory, order: HandOver) -> dict[str, Any]:
    """Record what the shift leaves; level, zero and required controls of all benches are due again."""
    with laboratory.reader() as reader:
        found = [encode(f) for f in left_over(reader, laboratory.catalogue, laboratory.clock.utc_ns())]
        states = listed(reader, BenchState, "id", "", LAST, limit=-1)
    ended = [
        changed(k, k.record.model_copy(update={"opened_utc_ns": 0}), "bench_handed_over")
        for k in states
        if k.record.opened_utc_ns
    ]
    record = Handover(id=str(uuid.uuid4()), listed=tuple(found))
    laboratory.change(new(record, "handed_over"), *ended, because=order.remark)
    if laboratory.flows is not None:
        laboratory.flows.forget()
    return {"listed": found}


ACTS: Final = (Act("handover", HandOver, "measure", hand_over),)
