"""Checks of a database for `daq doctor`: each returns its subject, its finding and the action to take."""

import hashlib
import json
import shutil
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from daq.adapters.store.audit import first_break
from daq.adapters.store.outbox_reading import quarantined
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import RESERVE_BYTES
from daq.core.errors import JournalError, StoreError

RESTORE: Final = "stop daq, copy the file aside, and restore the last good backup; report what happened"
OUTBOX_OLD_NS: Final = 3600 * 10**9
"""Age of the oldest waiting message above which the check of the outbox fails, ns."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Outcome of one check.

    Attributes:
        what: subject of the check.
        say: the finding, for a person.
        do: the action to take; "" where none is needed.
    """

    ok: bool
    what: str
    say: str
    do: str = ""


def check_database(path: Path, *, utc_ns: int) -> list[Finding]:
    """Run all checks on one database, in order.  An unreadable file gives a finding, not an exception.

    `utc_ns` is the present time (ns since 1970), for the age of waiting messages.
    """
    checks: tuple[Callable[[Reader], Finding], ...] = (
        check_integrity,
        check_references,
        check_audit,
        check_journals,
        check_results,
        check_ended_runs,
        check_sequences,
        lambda reader: check_outbox(reader, utc_ns=utc_ns),
    )
    findings = [check_disk(path)]
    try:
        with Reader(path) as reader:
            findings += [_safely(check, reader) for check in checks]
    except StoreError as error:
        findings.append(Finding(False, "database", str(error), "see above"))
    return findings


def _safely(check: Callable[[Reader], Finding], reader: Reader) -> Finding:
    try:
        return check(reader)
    except StoreError as error:
        return Finding(False, "database", str(error), RESTORE)


def check_integrity(reader: Reader) -> Finding:
    """Check all pages and indexes with SQLite's own integrity check."""
    rows = [str(next(iter(row.values()))) for row in reader.query("PRAGMA integrity_check(10)")]
    if rows == ["ok"]:
        return Finding(True, "database file", "all pages and indexes are whole")
    return Finding(False, "database file", f"damaged: {rows[0]} ({len(rows)} faults shown of at most 10)", RESTORE)


def check_references(reader: Reader) -> Finding:
    """Check that every reference points to an existing record."""
    rows = reader.query("PRAGMA foreign_key_check")
    if not rows:
        return Finding(True, "references", "every record refers to records that exist")
    tables = ", ".join(sorted({str(row["table"]) for row in rows}))
    return Finding(False, "references", f"{len(rows)} records (in {tables}) refer to others that are missing", RESTORE)


def check_audit(reader: Reader) -> Finding:
    """Check the hash chain of the audit trail from its first entry."""
    source, _ = reader.identity()
    entries = reader.audit()
    broken = first_break(source, entries)
    if broken:
        return Finding(False, "audit trail", broken, RESTORE)
    return Finding(True, "audit trail", f"{len(entries)} entries, the chain is unbroken")


def check_journals(reader: Reader) -> Finding:
    """Check the chain of journal blocks of every run."""
    runs = [row["id"] for row in reader.query("SELECT id FROM runs ORDER BY began_utc_ns")]
    blocks = 0
    for run in runs:
        try:
            blocks += sum(1 for _ in reader.journal(run))
        except JournalError as error:
            return Finding(False, "journals", f"run {run}: {error}", RESTORE)
    return Finding(True, "journals", f"{len(runs)} runs, {blocks} blocks, all chains are unbroken")


def check_results(reader: Reader) -> Finding:
    """Check that the audit entry and the journal block of every result exist."""
    heads = {entry.seq: entry.hash for entry in reader.audit()}
    count = 0
    for result in reader.all_results():
        count += 1
        if heads.get(result.audit_seq) != result.audit_head:
            say = f"result {result.id} names audit entry {result.audit_seq}, which is missing or was changed"
            return Finding(False, "results", say, RESTORE)
        rows = reader.query("SELECT digest FROM journal WHERE run = ?", [result.run])
        digests = {row["digest"] for row in rows} | {""}
        if result.journal_digest not in digests:
            say = f"result {result.id} was computed from a journal block that is missing"
            return Finding(False, "results", say, RESTORE)
    missing = reader.query(
        "SELECT id FROM runs WHERE state <> 'running' AND NOT EXISTS (SELECT 1 FROM results WHERE run = runs.id)"
    )
    if missing:
        return Finding(False, "results", f"run {missing[0]['id']} is concluded and has no result", RESTORE)
    return Finding(True, "results", f"{count} results, each with its audit entry and journal")


def check_ended_runs(reader: Reader) -> Finding:
    """Check motor, result and last journal block of each ended run against the audit trail."""
    details = {entry.subject: json.loads(entry.detail) for entry in reader.audit() if entry.what == "run_ended"}
    rows = reader.query(
        "SELECT id, motor, (SELECT data FROM results WHERE run = runs.id AND supersedes IS NULL) AS data, "
        "(SELECT digest FROM journal WHERE run = runs.id ORDER BY seq DESC LIMIT 1) AS digest "
        "FROM runs WHERE state = 'ended' ORDER BY began_utc_ns"
    )
    for row in rows:
        detail = details.get(row["id"])
        if detail is None:
            return Finding(False, "ended runs", f"the audit trail has no entry for the end of run {row['id']}", RESTORE)
        for what, differs in (
            ("motor", detail["motor"] != row["motor"]),
            ("journal", detail["journal_digest"] != (row["digest"] or "")),
            ("result", detail["result_digest"] != hashlib.sha256((row["data"] or "").encode()).hexdigest()),
        ):
            if differs:
                say = f"the {what} of run {row['id']} differs from the audit trail"
                return Finding(False, "ended runs", say, RESTORE)
    return Finding(True, "ended runs", f"{len(rows)} runs, as the audit trail says")


def check_sequences(reader: Reader) -> Finding:
    """Check that the results of each stream are numbered without a gap in the sequence."""
    numbers: defaultdict[tuple[int, str], list[int]] = defaultdict(list)
    for row in reader.query("SELECT epoch, stream, sequence FROM results ORDER BY epoch, stream, sequence"):
        numbers[row["epoch"], row["stream"]].append(row["sequence"])
    for (epoch, stream), found in numbers.items():
        if found != list(range(1, len(found) + 1)):
            missing = next(n for n, have in enumerate([*found, None], 1) if n != have)
            return Finding(
                False, "sequence numbers", f"result {missing} of {stream} (epoch {epoch}) is missing", RESTORE
            )
    return Finding(True, "sequence numbers", f"{len(numbers)} streams without a gap")


def check_outbox(reader: Reader, *, utc_ns: int) -> Finding:
    """Check how many messages wait for the broker, for how long, and how many were refused."""
    depth = reader.outbox_depth()
    if not depth.waiting and not depth.refused and not depth.quarantined:
        return Finding(True, "outbox", "everything was delivered")
    age_ns = utc_ns - (depth.oldest_utc_ns or utc_ns)
    say = f"{depth.waiting} messages wait, {depth.refused} were refused, the oldest is {_age(age_ns)} old"
    if depth.quarantined:
        first = quarantined(reader, limit=1)[0]
        return Finding(
            False,
            "outbox",
            f"{say}; {depth.quarantined} are in quarantine, the first: {first.topic}: {first.last_error}",
            "see `daq outbox`; remove the cause at the broker (size limit, topics), then run `daq resend --refused`",
        )
    if depth.refused:
        first = reader.refused(limit=1)[0]
        return Finding(
            False,
            "outbox",
            f"{say}; first refused: {first.topic}: {first.last_error}",
            "allow the user to publish to this topic in the broker's access rules; daq then sends it by itself",
        )
    if age_ns > OUTBOX_OLD_NS:
        return Finding(False, "outbox", say, "check that the broker runs and can be reached; nothing is lost meanwhile")
    return Finding(True, "outbox", say)


def check_disk(path: Path) -> Finding:
    """Check the free space on the disk of the database."""
    try:
        free = shutil.disk_usage(path.parent).free
    except OSError as error:
        return Finding(False, "disk", f"{path.parent}: {error.strerror}", "check the path of the state directory")
    mib = free // 2**20
    if free < RESERVE_BYTES:
        say = f"{mib} MiB are free; below {RESERVE_BYTES // 2**20} MiB no run starts"
        return Finding(False, "disk", say, "free some space on this disk")
    return Finding(True, "disk", f"{mib} MiB are free")


def _age(ns: int) -> str:
    seconds = max(0, ns // 10**9)
    for size, name in ((86_400, "days"), (3_600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds // size} {name}"
    return f"{seconds} s"
