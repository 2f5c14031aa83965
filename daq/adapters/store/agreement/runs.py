"""Compare everything stored of a run: record, results, messages, kept values, journal, health, audit entries."""

from collections.abc import Iterator
from typing import Final

from daq.adapters.store.agreement.disagreement import (
    NOTHING,
    ROW,
    Disagreement,
    at,
    differing,
    first_difference,
)
from daq.adapters.store.agreement.journals import Content, digests, of_journal
from daq.adapters.store.agreement.results import of_result
from daq.adapters.store.agreement.stored import Entry, Row, Stored, newest, oldest
from daq.adapters.store.agreement.trail import linked, repeated
from daq.adapters.store.audit import digest_of
from daq.adapters.store.rows import AUDITED_LATER, AUDITED_OF_A_RUN, json_or_none
from daq.adapters.store.steps import digest_of_kept

HEADER_COPIES: Final = {
    "run": "id",
    "plan.method": "method_id",
    "plan.version": "method_version",
    "plan.digest": "method_digest",
}
"""Path in a run's header: column of the run with the same fact."""
ONCE: Final = ("run_started", "run_concluded", "run_ended")
"""Kinds of audit entries of which a run has at most one."""
NAMING_RESULTS: Final = ("run_concluded", "result_corrected")


def of_run(stored: Stored, run_id: str, *, journal: bool = True, chained: int | None = None) -> Iterator[Disagreement]:
    """Compare one run with everything that is stored of it.

    Args:
        stored: the database.
        run_id: id of the run.
        journal: whether the blocks of the journal are unpacked; otherwise only their digests are compared.
        chained: the audit entries after this number were compared with their neighbours already; None: no entry.
    """
    run = stored.one("SELECT * FROM runs WHERE id = ?", run_id)
    entries = stored.entries(run_id)
    yield from linked(stored, entries, chained)
    yield from repeated(entries, *ONCE)
    started = oldest(entries, "run_started")
    content = Content(archived=newest(entries, "journal_archived"))
    if journal:
        yield from of_journal(stored, run_id, content)
    else:
        content.digests = digests(stored, run_id)
    if run is not None:
        yield from _record(run, entries, started)
        yield from _header(run, started, content, journal=journal)
        yield from _method(stored, run)
    elif started is not None:
        there = f"sample {started.detail.get('sample')}"
        yield Disagreement("runs", run_id, ROW, NOTHING, there, started.where)
    yield from _results(stored, run_id, run, entries, chained)
    yield from _kept(stored, run_id, entries, content, journal=journal)
    yield from _ends(stored, run_id, entries, content)
    yield from _health(stored, run_id, entries)


def of_values(stored: Stored, run_id: str) -> Iterator[Disagreement]:
    """Compare the record and the results of one run; not its header, journal, kept values, health and messages."""
    run = stored.one("SELECT * FROM runs WHERE id = ?", run_id)
    entries = stored.entries(run_id)
    yield from linked(stored, entries, None)
    yield from repeated(entries, *ONCE)
    started = oldest(entries, "run_started")
    if run is not None:
        yield from _record(run, entries, started)
    elif started is not None:
        there = f"sample {started.detail.get('sample')}"
        yield Disagreement("runs", run_id, ROW, NOTHING, there, started.where)
    yield from _results(stored, run_id, run, entries, None, whole=False)


def _record(run: Row, entries: list[Entry], started: Entry | None) -> Iterator[Disagreement]:
    """Compare the columns of a run with its audit entries."""
    name = run["id"]
    if started is None:
        yield Disagreement("runs", name, ROW, f"sample {run['sample']}", NOTHING, "an audit trail without its start")
    else:
        # A database of an older format, before its update, lacks the newest columns.
        columns: list[str] = [column for column in AUDITED_OF_A_RUN if column in run]
        there = {column: started.detail.get(column, AUDITED_LATER.get(column)) for column in columns}
        there["began_utc_ns"] = started.stored.utc_ns
        yield from differing("runs", name, run, there, started.where)
    concluded, ended = oldest(entries, "run_concluded"), oldest(entries, "run_ended")
    state = "running" if concluded is None else "concluded" if ended is None else "ended"
    there = {"outcome": "", "reason": ""}
    if concluded is not None:
        there = {key: concluded.detail.get(key) for key in there}
    yield from differing("runs", name, run, there, "the audit trail" if concluded is None else concluded.where)
    there = {"motor": "", "ended_utc_ns": None}
    if ended is not None:
        there = {key: ended.detail.get(key) for key in there}
    where = "the audit trail" if ended is None else ended.where
    yield from differing("runs", name, run, {"state": state} | there, where)


def _header(run: Row, started: Entry | None, content: Content, *, journal: bool) -> Iterator[Disagreement]:
    """Compare the header of a run with its digest, with the journal's first record, and with the run's columns."""
    name, text = run["id"], run["header"].encode("utf-8", "surrogateescape")
    header = json_or_none(text)
    digest = digest_of(text)
    sealed = None if started is None else started.detail.get("header_digest")
    if journal and content.blocks and content.header != text:
        where = f"journal {name}/0, its first record"
        other = json_or_none(content.header)
        found = None if content.header is None else first_difference(header, other)
        path, here, there = found or ("", digest, NOTHING if content.header is None else digest_of(content.header))
        yield Disagreement("runs", name, f"header {path}".rstrip(), here, there, where)
    if started is not None and digest != sealed:
        yield Disagreement("runs", name, "header", digest, sealed, started.where)
    for path, column in HEADER_COPIES.items():
        here = at(header, path)
        if here is not None and here != run[column]:
            yield Disagreement("runs", name, f"header {path}", here, run[column], f"runs {name}, {column}")


def _method(stored: Stored, run: Row) -> Iterator[Disagreement]:
    """Compare the digest of a run's method with the registered method."""
    name = f"{run['method_id']} {run['method_version']}"
    sql = "SELECT digest FROM methods WHERE id = ? AND version = ?"
    method = stored.one(sql, run["method_id"], run["method_version"])
    there = None if method is None else method["digest"]
    if there != run["method_digest"]:
        yield Disagreement("runs", run["id"], "method_digest", run["method_digest"], there, f"methods {name}, digest")


def _results(
    stored: Stored,
    run_id: str,
    run: Row | None,
    entries: list[Entry],
    chained: int | None,
    *,
    whole: bool = True,
) -> Iterator[Disagreement]:
    named = {e.detail.get("result"): e for e in entries if e.stored.what in NAMING_RESULTS}
    for result_id, entry in named.items():
        yield from of_result(stored, str(result_id), entry, run, chained, whole=whole)
    for row in stored.rows("SELECT id FROM results WHERE run = ?", run_id):
        if row["id"] not in named:
            where = f"an audit trail that names no such result of run {run_id}"
            yield Disagreement("results", row["id"], ROW, f"run {run_id}", NOTHING, where)


def _kept(
    stored: Stored, run_id: str, entries: list[Entry], content: Content, *, journal: bool
) -> Iterator[Disagreement]:
    """Compare the kept values with the digest in the audit trail; the journal shows which one differs."""
    rows = stored.rows("SELECT idx, value FROM kept WHERE run = ? ORDER BY idx", run_id)
    concluded = oldest(entries, "run_concluded")
    if concluded is None:
        for row in rows:
            where = "the audit trail, in which the run has no result yet"
            yield Disagreement("kept", f"{run_id}/{row['idx']}", ROW, row["value"], NOTHING, where)
        return
    sealed = oldest(stored.entries(str(concluded.detail.get("result")), "result_stored"), "result_stored")
    if sealed is None:
        return  # the comparison of the result names it
    expected = sealed.detail.get("kept")
    numbers = [row["idx"] for row in rows]
    digest = digest_of_kept(row["value"] for row in rows)
    if digest == expected and numbers == list(range(len(rows))):
        return
    if not journal:
        yield from of_journal(stored, run_id, content)
    values = {row["idx"]: json_or_none(row["value"]) for row in rows}
    for number, there in enumerate(content.kept):
        found = first_difference(values.get(number), there)
        if found is not None:
            field = f"value {found[0]}".rstrip() if number in values else ROW
            where = f"the journal of run {run_id}"
            yield Disagreement("kept", f"{run_id}/{number}", field, found[1], found[2], where)
            return
    where = f"{sealed.where}; they are {len(rows)} rows numbered {numbers[:1]} to {numbers[-1:]}"
    yield Disagreement("kept", run_id, "idx, value", digest, expected, where)


def _ends(stored: Stored, run_id: str, entries: list[Entry], content: Content) -> Iterator[Disagreement]:
    """Compare the last block of the journal, and the result, with the entry of the run's end."""
    ended = oldest(entries, "run_ended")
    if ended is None:
        return
    there = ended.detail.get("journal_digest")
    archived = content.archived
    if archived is not None and not content.digests:
        # The journal is in an archive: its digest goes on from the end of the run to the entry of its removal.
        if archived.detail.get("digest") != there:
            yield Disagreement(
                "audit", str(archived.stored.seq), "digest", archived.detail.get("digest"), there, ended.where
            )
        return
    if archived is not None:
        row = f"{run_id}/{len(content.digests) - 1}"
        yield Disagreement("journal", row, ROW, f"{len(content.digests)} blocks", NOTHING, archived.where)
    last = content.digests[-1] if content.digests else ""
    if last != there:
        row = f"{run_id}/{max(len(content.digests) - 1, 0)}"
        yield Disagreement("journal", row, "digest", last, there, ended.where)
    for sealed in stored.rows("SELECT id, journal_digest FROM results WHERE run = ? AND journal_digest <> ''", run_id):
        if sealed["journal_digest"] not in content.digests:
            where = f"the journal of run {run_id}"
            yield Disagreement("results", sealed["id"], "journal_digest", sealed["journal_digest"], NOTHING, where)


def _health(stored: Stored, run_id: str, entries: list[Entry]) -> Iterator[Disagreement]:
    row = stored.one("SELECT * FROM health WHERE run = ?", run_id)
    entry = newest(entries, "health_noted")
    if entry is None:
        if row is not None:
            yield Disagreement("health", run_id, ROW, row["data"], NOTHING, "an audit trail that does not name it")
        return
    if row is None:
        yield Disagreement("health", run_id, ROW, NOTHING, entry.detail.get("instrument"), entry.where)
        return
    there = {"instrument": entry.detail.get("instrument"), "utc_ns": entry.stored.utc_ns}
    yield from differing("health", run_id, row, there, entry.where)
    digest = digest_of(row["data"].encode("utf-8", "surrogateescape"))
    if digest != entry.detail.get("digest"):
        yield Disagreement("health", run_id, "data", digest, entry.detail.get("digest"), entry.where)
