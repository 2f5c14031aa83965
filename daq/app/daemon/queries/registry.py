"""The table of all queries.  The functions are those that the command line uses."""

import io
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from daq.adapters.store.agreement.one_run import disagreements_of_run
from daq.adapters.store.reading import Reader
from daq.app.daemon.queries import (
    equipment_queries,
    file_queries,
    report_queries,
    review_queries,
    sample_queries,
    token_queries,
    trial_queries,
)
from daq.app.daemon.queries.asked import MOST_ROWS, RunAsked, RunsAsked, SampleAsked, SamplesAsked
from daq.app.daemon.queries.query import Query, Sources
from daq.app.laboratory.lists.sample_lists import sample, worklist
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.reporting.tracing import reports_of_run
from daq.app.records.derived import flow_curve
from daq.app.records.history import history
from daq.app.records.run_rows import entry
from daq.app.records.searching import RunSearch, absent, search
from daq.app.records.sheets.exporting import write_csv
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import of_sample
from daq.app.screens.text import utc_iso
from daq.core.encoding import encode
from daq.core.errors import SettingError, coded
from daq.methods.files.load import parse
from daq.process.moments import bound

CSV_COLUMNS: Final = (
    "run", "began", "ended", "instrument", "sample", "product", "lot", "method_id", "method_version", "operator",
    "quantity", "value", "expanded", "unit", "quality", "validity", "verdict", "outcome", "release", "simulated",
    "corrected", "annulled",
)  # fmt: skip
"""Columns of runs as CSV."""


def _wanted(sources: Sources, asked: RunsAsked) -> RunSearch:
    conditions = asked.model_dump(include={"sample", "lot", "product", "operator", "instrument", "outcome", "verdict"})
    return RunSearch(
        **conditions,
        since_utc_ns=bound(asked.since, sources.utc_ns, "since", end=False),
        until_utc_ns=bound(asked.until, sources.utc_ns, "until", end=True),
    )


def _runs(sources: Sources, asked: RunsAsked) -> dict[str, Any]:
    reader, wanted = sources.reader, _wanted(sources, asked)
    found = search(reader, wanted, limit=asked.limit)
    releases = Releases(reader)
    rows = [encode(entry(reader, record, releases)) for record in found.runs]
    samples = dict.fromkeys([asked.sample, *(row["sample"] for row in rows)])
    return {
        "rows": rows,
        "examined": found.examined,
        "reached": None if found.reached_utc_ns is None else utc_iso(found.reached_utc_ns),
        "absent": [] if rows else absent(reader, wanted),
        "by_hand": [t.as_json() for s in samples if s for t in of_sample(reader, s)][:MOST_ROWS],
    }


def _runs_csv(sources: Sources, asked: RunsAsked) -> dict[str, Any]:
    """Return runs as CSV; cells that a spreadsheet could run as a formula are made harmless.

    Where older runs satisfy the conditions, too, or may do so, the last line states it.
    """
    out = io.StringIO()
    found = search(sources.reader, _wanted(sources, asked), limit=asked.limit + 1)
    releases = Releases(sources.reader)
    rows = [encode(entry(sources.reader, record, releases)) for record in found.runs[: asked.limit]]
    listed = [{name: row[name] for name in CSV_COLUMNS} for row in rows]
    is_cut = len(found.runs) > asked.limit or found.reached_utc_ns is not None
    if is_cut:
        since = rows[-1]["began"] if len(found.runs) > asked.limit else utc_iso(found.reached_utc_ns)
        listed.append(dict.fromkeys(CSV_COLUMNS) | {"run": f"NOT ALL: runs before {since} are not in this file"})
    write_csv(out, CSV_COLUMNS, listed)
    return {"csv": out.getvalue(), "is_cut": is_cut}


def _run(sources: Sources, asked: RunAsked) -> dict[str, Any]:
    reader = sources.reader
    record = find_run(reader, asked.run)
    found = history(reader, record)
    curve = flow_curve(found)
    more = {
        "flow_curve": None if curve is None else curve.model_dump(mode="json"),
        "reports": reports_of_run(reader, record.id),
        "doubts": [doubt.model_dump(mode="json") for doubt in Releases(reader).doubts(record)],
        "disagreements": [d.text for d in disagreements_of_run(reader.path, record.id)],
    }
    return {"entry": encode(entry(reader, record)), "history": found.as_json() | more}


def _samples(sources: Sources, asked: SamplesAsked) -> dict[str, Any]:
    reader = sources.reader
    found = [k for bench in ("", *asked.benches) for k in worklist(reader, bench, limit=asked.limit + 1)]
    # The list of a bench has the samples of no bench too.
    rows = {k.record.id: k.record for k in found}
    ordered = sorted(rows.values(), key=lambda s: (s.priority, s.due, s.id))
    shown = ordered[: asked.limit]
    return {
        "samples": [{"sample": s.model_dump(mode="json"), "state": s.state} for s in shown],
        "more": len(ordered) > len(shown),
    }


def _sample(sources: Sources, asked: SampleAsked) -> dict[str, Any]:
    reader = sources.reader
    kept = sample(reader, asked.sample)
    if kept is None:
        raise coded(
            SettingError(f"there is no sample {asked.sample!r}", key="sample"), "sample_unknown", sample=asked.sample
        )
    found = search(reader, RunSearch(sample=asked.sample), limit=MOST_ROWS)
    about = asdict(kept) | {"record": kept.record.model_dump(mode="json"), "changed": utc_iso(kept.utc_ns)}
    return {"sample": about, "rows": [encode(entry(reader, record)) for record in found.runs]}


_ALL: Final[tuple[Query[Any], ...]] = (
    Query("runs", RunsAsked, "look", _runs),
    Query("runs_csv", RunsAsked, "look", _runs_csv),
    Query("run", RunAsked, "look", _run),
    Query("samples", SamplesAsked, "look", _samples),
    Query("sample", SampleAsked, "look", _sample),
    *sample_queries.QUERIES,
    *review_queries.QUERIES,
    *equipment_queries.QUERIES,
    *report_queries.QUERIES,
    *file_queries.QUERIES,
    *token_queries.QUERIES,
    *trial_queries.QUERIES,
)
QUERIES: Final[dict[str, Query[Any]]] = {query.name: query for query in _ALL}


def query(name: str) -> Query[Any]:
    """Return a query by its name; `SettingError` if there is none."""
    found = QUERIES.get(name)
    if found is None:
        raise SettingError(f"there is no query {name!r}; known: {', '.join(QUERIES)}", key="query")
    return found


def answered(
    reader: Reader, name: str, parameters: Mapping[str, Any], utc_ns: int, folder: Path | None = None
) -> dict[str, Any]:
    """Return the answer to a query.

    Args:
        reader: the database.
        name: name of the query.
        parameters: its values.
        utc_ns: the present time.
        folder: the configuration folder; None: a query that needs it is refused.

    Raises:
        SettingError, SettingErrors: there is no such query, or a parameter is wrong.
        StoreError: the database cannot be read.
    """
    found = query(name)
    answer: dict[str, Any] = found.answer(Sources(reader, utc_ns, folder), parse(found.asked, dict(parameters)))
    return answer
