"""Queries about samples: export, lists of any state, and labels."""

import io
from datetime import UTC, datetime
from typing import Any, Final

from daq.app.daemon.queries.asked import SampleAsked
from daq.app.daemon.queries.desk_asked import ExportAsked, ListAsked
from daq.app.daemon.queries.query import Query, Sources
from daq.app.laboratory.lists.labels import label_of
from daq.app.laboratory.lists.sample_lists import COLUMNS, all_samples, discard_due, rows, sample
from daq.app.records.sheets.exporting import write_csv
from daq.core.errors import SettingError, coded


def _csv(sources: Sources, asked: ExportAsked) -> dict[str, Any]:
    """Return samples as CSV; cells that a spreadsheet could run as a formula are made harmless."""
    out = io.StringIO()
    found = all_samples(sources.reader, limit=asked.limit + 1)
    shown = found[: asked.limit]
    listed = [*rows(k.record for k in shown)]
    is_cut = len(found) > len(shown)
    if is_cut:
        note = f"NOT ALL: samples after {shown[-1].record.id} are not in this file"
        listed.append(dict.fromkeys(COLUMNS) | {COLUMNS[0]: note})
    write_csv(out, COLUMNS, listed)
    return {"csv": out.getvalue(), "is_cut": is_cut}


def _listed(sources: Sources, asked: ListAsked) -> dict[str, Any]:
    if asked.which == "discard":
        today = datetime.fromtimestamp(sources.utc_ns / 1e9, UTC).astimezone().date().isoformat()
        found = discard_due(sources.reader, today, limit=asked.limit + 1)
    else:
        found = all_samples(sources.reader, limit=asked.limit + 1)
    shown = found[: asked.limit]
    return {"samples": [k.record.model_dump(mode="json") for k in shown], "more": len(found) > len(shown)}


def _label(sources: Sources, asked: SampleAsked) -> dict[str, Any]:
    kept = sample(sources.reader, asked.sample)
    if kept is None:
        raise coded(
            SettingError(f"there is no sample {asked.sample!r}", key="sample"), "sample_unknown", sample=asked.sample
        )
    return {"svg": label_of(kept.record)}


QUERIES: Final[tuple[Query[Any], ...]] = (
    Query("samples_csv", ExportAsked, "look", _csv),
    Query("sample_list", ListAsked, "look", _listed),
    Query("sample_label", SampleAsked, "look", _label),
)
