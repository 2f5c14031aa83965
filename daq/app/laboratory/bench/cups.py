"""The cups that are in the bath of a bench: a run of the sample on any bench, or its cancellation, takes a cup out."""

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import newest_revision
from daq.laboratory.bench.benchstate import BenchState, Cup
from daq.laboratory.kinds import SAMPLE


def cups_in_bath(reader: Reader, state: BenchState) -> tuple[Cup, ...]:
    """Return the cups of a bench that are in the bath still.

    A cup that entered after the last run of its sample is for the next run of it.
    """
    return tuple(cup for cup in state.cups if not _is_out(reader, cup))


def _is_out(reader: Reader, cup: Cup) -> bool:
    sample = newest_revision(reader, SAMPLE, cup.sample)
    if sample is not None and sample.data.get("state") == "cancelled":
        return True
    return any(run.began_utc_ns >= cup.since_utc_ns for run in reader.runs(limit=1, sample=cup.sample))
