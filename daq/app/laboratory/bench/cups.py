"""The cups that are in the bath of a bench: a run of the sample there, or the end of the sample, takes a cup out."""

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import revisions
from daq.laboratory.bench.benchstate import BenchState, Cup
from daq.laboratory.kinds import SAMPLE


def cups_in_bath(reader: Reader, state: BenchState) -> tuple[Cup, ...]:
    """Return the cups of a bench that are in the bath still.

    A cup that entered after the last run of its sample on the bench, or after the sample was opened again, is for the
    next one.  A run on another bench takes the cup of that bench.
    """
    return tuple(cup for cup in state.cups if not _is_out(reader, state.id, cup))


def _is_out(reader: Reader, bench: str, cup: Cup) -> bool:
    newest = reader.runs(limit=1, instrument=bench, sample=cup.sample)
    return any(run.began_utc_ns >= cup.since_utc_ns for run in newest) or _is_over(reader, cup)


def _is_over(reader: Reader, cup: Cup) -> bool:
    """Return whether the sample of a cup is cancelled, or ended after the cup entered: the cup is gone.

    A sample that is open again since then is filled into another cup.
    """
    states = ["open"]
    for revision in revisions(reader, SAMPLE, cup.sample):
        states.append(revision.data.get("state", "open"))
        if states[-2] == "open" != states[-1] and revision.utc_ns >= cup.since_utc_ns:
            return True
    return states[-1] == "cancelled"
