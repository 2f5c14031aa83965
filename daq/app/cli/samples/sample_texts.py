"""Samples as text, tables and JSON for `daq sample`."""

from datetime import datetime
from typing import Any

from daq.adapters.store.reading import Reader
from daq.app.cli.common import print_json
from daq.app.cli.printing import say
from daq.app.cli.run_list import print_runs
from daq.app.laboratory.laboratory import Kept
from daq.app.laboratory.lists.sample_lists import due_moment, reworked_as, sample
from daq.app.records.attempts import runs_of_sample
from daq.app.records.run_rows import entry
from daq.app.records.signatures import Releases
from daq.app.screens.text import local_time, plain
from daq.core.encoding import encode
from daq.core.errors import SettingError
from daq.laboratory.samples import Sample


def head_of(*, discard: bool) -> list[str]:
    """Return the headings of a list of samples; `discard`: of parts to be discarded."""
    if discard:
        return ["sample", "product", "lot", "place", "discard"]
    return ["sample", "product", "lot", "sampled", "due", "priority", "state", "remark"]


def row_of(s: Sample, now: datetime, *, discard: bool) -> list[str]:
    """Return the cells of one sample under `head_of`."""
    if discard:
        cells = [s.id, s.product, s.lot]
        cells += ["", ""] if s.retained is None else [s.retained.place, s.retained.discard_on or ""]
    else:
        due = due_moment(s)
        late = " late" if s.state == "open" and due is not None and due < now else ""
        cells = [s.id, s.product, s.lot, s.sampled_at, s.due + late, str(s.priority), s.state, s.remark]
    return [plain(cell) for cell in cells]


def sample_json(kept: Kept[Sample]) -> dict[str, Any]:
    """Return a sample as JSON values."""
    return kept.record.model_dump(mode="json") | {"revision": kept.revision, "changed_by": kept.who}


def print_sample(reader: Reader, ident: str, *, as_json: bool) -> None:
    """Print a sample with its runs, newest first, and the samples of its batch after a correction.

    Raises:
        SettingError: there is no such sample.
    """
    kept = sample(reader, ident)
    if kept is None:
        raise SettingError(f"there is no sample {ident!r}; `daq sample list --all` lists them")
    releases = Releases(reader)
    entries = [entry(reader, run, releases) for run in reversed(runs_of_sample(reader, ident))]
    later = [k.record for k in reworked_as(reader, ident)]
    if as_json:
        runs = [encode(e) for e in entries]
        print_json(sample_json(kept) | {"runs": runs, "reworked_as": [s.id for s in later]})
        return
    for name, value in kept.record.model_dump(mode="json", exclude_defaults=True).items():
        shown = ", ".join(str(v) for v in value.values() if v) if isinstance(value, dict) else str(value)
        say(plain(shown), f"{name.replace('_', ' ')}: ")
    for s in later:
        say(plain(f"{s.id}, added {s.rework.added if s.rework else ''}"), "reworked as: ")
    because = f" because {plain(kept.because)}" if kept.because else ""
    say(f"{kept.what.replace('_', ' ')} by {plain(kept.who)} {local_time(kept.utc_ns)}{because}")
    if entries:
        print()
        print_runs(entries, as_json=False)
