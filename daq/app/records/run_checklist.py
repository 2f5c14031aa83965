"""The stored checklist of a run."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, revisions
from daq.app.screens.text import utc_iso
from daq.laboratory.bench.benchstate import Checked
from daq.laboratory.kinds import CHECKLIST

PARTS: Final = ("opening", "before", "after")
"""Lists of a checklist: at the start of the shift, before the run, and after it."""


@dataclass(frozen=True, slots=True)
class RunChecklist:
    """The checklist of a run in its newest revision.

    Attributes:
        items: the items of each list in `PARTS`.
        repeat_of, reason: the run that this one repeats, and why; "" for none.
        started: the revision that was stored with the start of the run.
        finished: the revision with the items after the run; None before they are confirmed.
        is_damaged: the stored record cannot be read; `daq verify` names what was changed.
    """

    items: Mapping[str, tuple[Checked, ...]]
    repeat_of: str
    reason: str
    started: StoredRecord
    finished: StoredRecord | None
    is_damaged: bool = False

    def as_json(self) -> dict[str, Any]:
        """Return the checklist as JSON values; None where nothing was measured, counted or confirmed."""
        return {
            "state": "damaged" if self.is_damaged else "stored",
            "repeat_of": self.repeat_of or None,
            "reason": self.reason or None,
            **{name: [_item(item) for item in items] for name, items in self.items.items()},
            "before_confirmed": _confirmed(self.started),
            "after_confirmed": None if self.finished is None else _confirmed(self.finished),
        }


def checklist_of(reader: Reader, run_id: str) -> RunChecklist | None:
    """Return the checklist of a run; None where it has none, as a run by `daq run`."""
    stored = revisions(reader, CHECKLIST, run_id)
    if not stored:
        return None
    from daq.laboratory.bench.benchstate import Checklist  # most runs are shown without a checklist

    started, newest = stored[0], stored[-1]
    finished = newest if len(stored) > 1 else None
    try:
        record = Checklist.model_validate(newest.data, strict=False)
    except ValueError:
        # One damaged record must not hide the run.
        return RunChecklist(dict.fromkeys(PARTS, ()), "", "", started, finished, is_damaged=True)
    items = {name: getattr(record, name) for name in PARTS}
    return RunChecklist(items, record.repeat_of, record.reason, started, finished)


def _item(item: Checked) -> dict[str, Any]:
    return item.model_dump(mode="json") | {"unit": item.unit or None}


def _confirmed(stored: StoredRecord) -> dict[str, str | None]:
    return {"at": utc_iso(stored.utc_ns), "who": stored.who}
