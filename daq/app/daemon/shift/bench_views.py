"""Make the view of the work at a bench from its state, the facts and the worklist."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from daq.adapters.store.forms.result_values import DamagedResultError, whole_values_of
from daq.adapters.store.reading import Reader
from daq.app.laboratory.bench.cups import cups_in_bath
from daq.app.laboratory.bench.naming import times_of
from daq.app.laboratory.lists.sample_lists import worklist
from daq.app.laboratory.ordering import suits
from daq.app.records.judged.product_versions import product_of_sample
from daq.app.run.standing import Standing
from daq.app.screens.bench.bench_view import (
    CONTROL_DUE,
    BenchView,
    CupShown,
    GeometryShown,
    ItemShown,
    ListedSample,
)
from daq.app.setup.catalogue import Catalogue
from daq.laboratory.bench.bath import Next, cycle_s, enters_now
from daq.laboratory.bench.bench_events import Message, Tick
from daq.laboratory.bench.benchstate import BenchState
from daq.laboratory.bench.checklists import Facts, opening_due, resting_left, stirring_left
from daq.laboratory.bench.flow import ASKS, OFFERED, present_list, step
from daq.laboratory.samples import Sample
from daq.methods.files.instrument import Instrument

LISTED: Final = 12
"""Number of samples of the worklist that are shown."""
RUNS_OF_CYCLE: Final = 5
"""Number of the newest runs from which the time for one sample is taken."""


def bench_view(
    reader: Reader,
    catalogue: Catalogue,
    state: BenchState,
    revision: int,
    message: Message,
    facts: Facts,
    standing: Standing,
) -> BenchView:
    """Return the view of a bench.

    Args:
        reader: the database.
        catalogue: the configuration.
        state: state of the bench.
        revision: its number.
        message: newest message of its flow.
        facts: the facts about the bench.
        standing: the state of its instrument.
    """
    if state.stage == "choosing" and opening_due(state, facts):
        state = step(state, Tick(), facts).state  # as the next key finds it
    instrument = catalogue.instruments.get(state.id)
    named, outcome = state.named, state.outcome
    shown: dict[str, Any] = {} if named is None else _of_sample(state)
    if outcome is not None:
        shown |= outcome.model_dump(include={"outcome", "validity", "verdict", "repeat"})
        shown |= _result(reader, outcome.run)
    cups = {cup.sample: (facts.utc_ns - cup.since_utc_ns) / 1e9 for cup in cups_in_bath(reader, state)}
    serial = f" (serial number {facts.serial})" if facts.serial else ""
    return BenchView(
        bench=state.id,
        title="" if instrument is None else instrument.title,
        revision=revision,
        stage=state.stage,
        asks=ASKS.get(state.stage, ""),
        commands=OFFERED[state.stage],
        connection=standing.state.value,
        fitted=f"{facts.fitted}{serial}" if facts.fitted else "",
        geometry=_geometry(instrument, facts.fitted),
        out_of_service=facts.out_of_service,
        message=message.code,
        values=dict(message.values),
        items=tuple(ItemShown(**item.model_dump()) for item in present_list(state, facts)),
        stirring_left_s=stirring_left(state, facts) if state.stage == "checking" else 0.0,
        resting_left_s=resting_left(state, facts),
        worklist=_worklist(reader, catalogue, state, facts, cups)
        if state.stage in ("choosing", "bathing", "resting", "running")
        else (),
        cups=tuple(CupShown(sample, in_bath_s) for sample, in_bath_s in cups.items()),
        discard=state.discard,
        awaited=tuple(a.sample for a in state.awaited),
        draft=state.draft,
        run=state.run,
        warm_up=state.warm_up,
        **shown,
    )


def _result(reader: Reader, run: str) -> dict[str, Any]:
    """Return the newest result of a run for the screen; where it is damaged, there is neither result nor verdict."""
    newest = reader.newest_result(run)
    try:
        return {"result": None if newest is None else whole_values_of(newest)}
    except DamagedResultError:
        return {"result": None, "validity": "", "verdict": ""}


def _geometry(instrument: Instrument | None, name: str) -> GeometryShown | None:
    """Return the geometry of an instrument with a name; None where its file has none with it."""
    found = None if instrument is None else instrument.geometries.get(name)
    if found is None:
        return None
    return GeometryShown(
        name=name, kind=found.kind, vessel=found.vessel, fill_volume=found.fill_volume, immersion=found.immersion
    )


def _of_sample(state: BenchState) -> dict[str, Any]:
    return (
        {}
        if state.named is None
        else state.named.model_dump(
            include={"sample", "product", "lot", "method", "caution", "filling", "reason", "signal", "low", "high"}
        )
    )


def _worklist(
    reader: Reader, catalogue: Catalogue, state: BenchState, facts: Facts, since: Mapping[str, float]
) -> tuple[ListedSample, ...]:
    """Return the next samples of a bench, and which cups enter the bath now; `since` has the times (s) in the bath."""
    found = [k.record for k in worklist(reader, state.id, limit=LISTED + 1, suits=suits(catalogue, state.id, reader))]
    at_bench = "" if state.named is None else state.named.sample
    found = [s for s in found if s.id != at_bench][:LISTED]
    bath = {s.id: _bath_s(reader, catalogue, s) for s in found}
    runs = [r for r in reader.runs(limit=RUNS_OF_CYCLE, instrument=state.id) if r.ended_utc_ns]
    cycle = cycle_s([((r.ended_utc_ns or 0) - r.began_utc_ns) / 1e9 for r in runs])
    left = cycle if state.stage in ("resting", "running") else 0.0
    now = enters_now([Next(s.id, bath[s.id], s.id in since) for s in found], cycle, left)
    control: tuple[ListedSample, ...] = ()
    if facts.control not in ("", "passed"):
        control = (ListedSample(sample=facts.control_fluid, priority=CONTROL_DUE),)
    return control + tuple(
        ListedSample(
            sample=s.id,
            product=s.product,
            lot=s.lot,
            due=_time(s.due),
            priority=s.priority,
            enter_now=s.id in now,
            in_bath_s=since.get(s.id),
            bath_s=bath[s.id],
        )
        for s in found
    )


def _bath_s(reader: Reader, catalogue: Catalogue, sample: Sample) -> float:
    """Return the longest time (s) in the bath that the tests of a sample's product need."""
    product = product_of_sample(reader, sample.id, sample.product, catalogue.products)
    if product is None:
        return 0.0
    methods = [catalogue.methods.get(t.method_id, {}).get(t.version) for t in product.tests]
    return max((times_of(method, product)[2] for method in methods or [None]), default=0.0)


def _time(text: str) -> str:
    """Return the local time of a moment, HH:MM; "" where there is none."""
    return datetime.fromisoformat(text).astimezone().strftime("%H:%M") if text else ""
