"""Compare the audit entries of removed journals with the records of the archives that hold them."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from daq.adapters.store.agreement.disagreement import NOTHING, Disagreement
from daq.adapters.store.agreement.stored import Entry, Stored
from daq.adapters.store.rows import json_or_none

REMOVED: Final = "journal_archived"
"""Kind of the audit entry of a journal that was removed from the database."""
_MOST_KNOWN: Final = 4
"""Number of archives whose runs are kept in memory; entries of one archive follow each other."""


@dataclass(slots=True)
class Archives:
    """The comparison of all such entries; `runs` counts them."""

    runs: int = 0
    _known: dict[str, dict[str, Any]] = field(default_factory=dict)

    def of_entry(self, stored: Stored, e: Entry) -> Iterator[Disagreement]:
        """Compare an entry: the record of its archive must have the run with the same digest."""
        if e.stored.what != REMOVED:
            return
        self.runs += 1
        archive = str(e.detail.get("archive"))
        there = e.detail.get("digest")
        here = self._runs(stored, archive).get(e.stored.subject)
        if here != there:
            name = f"archive {archive}"
            found = NOTHING if here is None else here
            yield Disagreement("records", name, f"data runs {e.stored.subject}", found, there, e.where)

    def _runs(self, stored: Stored, archive: str) -> dict[str, Any]:
        """Return the digest of each run of an archive, as its record has them."""
        if archive not in self._known:
            row = stored.one(
                "SELECT data FROM records WHERE kind = 'archive' AND id = ? ORDER BY revision DESC LIMIT 1", archive
            )
            data = None if row is None else json_or_none(row["data"])
            runs = data.get("runs") if isinstance(data, dict) else None
            listed = runs if isinstance(runs, list) else []
            known = {str(r.get("run")): r.get("digest") for r in listed if isinstance(r, dict)}
            while len(self._known) >= _MOST_KNOWN:
                self._known.pop(next(iter(self._known)))
            self._known[archive] = known
        return self._known[archive]
