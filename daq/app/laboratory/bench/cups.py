"""The cups that are in the bath of a bench: a run of the sample there, or the end of the sample, takes a cup out."""

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import revisions
from daq.laboratory.bench.benchstate import BenchState, Cup
from daq.laboratory.kinds import SAMPLE


def cups_in_bath(reader: Reader, state: BenchState) -> tuple[Cup, ...]:
    """Return the cups of a bench that are in the bath still.

    A cup that entered after the last run of its sample on the bench is for the next one.  A run on another bench takes
    the cup of that bench.
    """
    return tuple(cup for cup in state.cups if not _is_out(reader, state.id, cup))


def _is_out(reader: Reader, bench: str, cup: Cup) -> bool:
    runs = reader.runs(limit=-1, sample=cup.sample)
    return _is_over(reader, cup) or any(r.instrument == bench and r.began_utc_ns >= cup.since_utc_ns for r in runs)


def _is_over(reader: Reader, cup: Cup) -> bool:
    """Return whether the sample of a cup is cancelled, or was done after the cup entered: it went to another bench."""
    found = revisions(reader, SAMPLE, cup.sample)
    if not found or found[-1].data.get("state") == "open":
        return False
    opened = next((s.revision for s in reversed(found) if s.data.get("state") == "open"), 0)
    return found[-1].data.get("state") == "cancelled" or found[opened].utc_ns >= cup.since_utc_ns
