"""The run that a person names: by its id, the beginning of its id, its sample, or ``last``."""

from typing import Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.laboratory import find
from daq.app.screens.text import local_time
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import NEWEST
from daq.laboratory.samples import Sample
from daq.quality.digits import SHOWN_ID

RUNS_SHOWN: Final = 10
"""Number of runs of a sample that a message shows."""


def find_run(reader: Reader, given: str) -> RunRecord:
    """Return the run that a person names: by its id, a unique beginning of it, ``last``, or the id of its sample.

    Raises:
        SettingError: no run or several runs match; the text lists several runs of a sample, newest first.
    """
    found = find_runs(reader, given)
    if len(found) == 1:
        return found[0]
    shown = ", ".join(f"{r.id[:SHOWN_ID]} ({r.method_id}, {local_time(r.began_utc_ns)})" for r in found[:RUNS_SHOWN])
    more = " ..." if len(found) > RUNS_SHOWN else ""
    raise coded(
        SettingError(f"sample {given!r} has {len(found)} runs: {shown}{more}; type the id of one of them"),
        "sample_has_several_runs",
        sample=given,
        count=str(len(found)),
    )


def find_runs(reader: Reader, given: str) -> list[RunRecord]:
    """Return the runs that a person names: one by its id, or all runs of a sample by its id, newest first.

    The id of a sample comes before the beginning of a run's id: it is a whole name, and the beginning is a part of one.

    Raises:
        SettingError: nothing has this name, or several runs begin with it.
    """
    if given == NEWEST:
        newest = reader.runs(limit=1)
        if not newest:
            raise coded(SettingError("there is no run yet"), "no_run_yet")
        return newest
    whole = reader.run(given.lower())
    if whole is not None:
        return [whole]
    of_sample = reader.runs(limit=-1, sample=given) if given else []
    if of_sample:
        return of_sample
    ids = reader.find_runs(given.lower()) if given else []
    if find(reader, Sample, given) is not None:
        raise coded(
            SettingError(f"sample {given!r} has no run yet; `daq sample show {given}` shows the sample"),
            "sample_without_runs",
            sample=given,
        )
    if not ids:
        error = SettingError(
            f"there is no run whose id begins with {given!r}, and no run of such a sample; `daq runs` lists them"
        )
        raise coded(
            error,
            "unknown_name",
            what="run",
            name=given,
        )
    if len(ids) > 1:
        shown = ", ".join(i[: len(given) + 4] for i in ids[:5])
        raise coded(
            SettingError(f"{len(ids)} runs begin with {given!r} ({shown} ...); type more of the id"),
            "several_runs_begin",
            name=given,
            count=str(len(ids)),
        )
    run = reader.run(ids[0])
    if run is None:
        raise coded(SettingError(f"the run {ids[0]} is gone"), "unknown_name", what="run", name=ids[0])
    return [run]
