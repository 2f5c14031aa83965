"""Check an archive: its bytes, its contents by themselves, and its contents against the database."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement
from daq.adapters.store.agreement.methods import of_methods
from daq.adapters.store.agreement.one_run import is_archive, of_archived_run
from daq.adapters.store.agreement.record_rows import of_records
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.agreement.trail import own_hash
from daq.adapters.store.archiving.files import sha256_of, stated_digest
from daq.adapters.store.checks import Finding, check_pages
from daq.core.errors import StoreError

DO: Final = (
    "keep the file, and read another copy of this archive; the database has results, kept values and audit trail"
)
NO_DIGEST: Final = (
    "has no digest file beside it, so completeness cannot be shown: rows that were removed together leave no trace in "
    "it; put its .sha256 file beside it, or check it with its database"
)
MOST_SHOWN: Final = 50
"""Largest number of disagreements that are shown one by one."""


@dataclass(frozen=True, slots=True)
class ArchivedRun:
    """A run in an archive: number of blocks of its journal, and digest of the last one."""

    run: str
    blocks: int
    digest: str


def archived_runs(stored: Stored) -> list[ArchivedRun]:
    """Return the runs of an archive, in order of their start."""
    rows = stored.rows(
        "SELECT id, (SELECT count(*) FROM journal WHERE run = id) AS blocks, coalesce((SELECT digest FROM journal "
        "WHERE run = id ORDER BY seq DESC LIMIT 1), '') AS digest FROM runs ORDER BY began_utc_ns, id"
    )
    return [ArchivedRun(row["id"], row["blocks"], row["digest"]) for row in rows]


def check_archive(path: Path, database: Path | None = None) -> list[Finding]:
    """Check an archive, and compare it with the database where one is given.  A fault gives a finding, no exception.

    The bytes are compared with the digest in the file beside the archive, and with that in the database.
    """
    name = path.name
    try:
        sha256 = sha256_of(path, from_medium=True)
    except OSError as error:
        return [Finding(False, name, f"cannot be read: {error.strerror}", DO)]
    findings = check_bytes(path, sha256, alone=database is None)
    try:
        with Stored(path) as stored:
            findings += check_contents(stored, name)
            if database is not None:
                with Stored(database) as other:
                    findings += _against(other, stored, name, sha256)
    except (StoreError, ValueError, TypeError, LookupError, AttributeError, ArithmeticError, RecursionError) as error:
        say = f"holds what daq never writes ({error})".encode("utf-8", "backslashreplace").decode()
        findings.append(Finding(False, name, say, DO))
    return findings


def check_bytes(path: Path, sha256: str, *, alone: bool = True) -> list[Finding]:
    """Compare the SHA-256 of an archive with the digest in the file beside it; `alone`: no database has it, too."""
    try:
        stated = stated_digest(path)
    except StoreError as error:
        return [Finding(False, path.name, str(error), DO)]
    if not stated:
        say = f"{NO_DIGEST} (SHA-256 {sha256})" if alone else f"SHA-256 {sha256}; no digest file is beside it"
        return [Finding(True, path.name, say)]
    if stated != sha256:
        say = f"was changed after it was written: its SHA-256 is {sha256}, and the file beside it states {stated}"
        return [Finding(False, path.name, say, DO)]
    return [Finding(True, path.name, f"every byte is as it was written (SHA-256 {sha256})")]


def check_contents(stored: Stored, name: str) -> list[Finding]:
    """Check the contents of an archive by themselves: pages, and every run with its journal and its audit entries."""
    if not is_archive(stored):
        return [Finding(False, name, "is no archive of daq", DO)]
    wrong = [Finding(False, name, f.say, DO) for f in check_pages(stored) if not f.ok]
    runs = archived_runs(stored)
    texts = []
    for d in disagreements(stored, [r.run for r in runs]):
        texts.append(d.text)
        if len(texts) == MOST_SHOWN:
            break
    wrong += [Finding(False, name, text, DO) for text in dict.fromkeys(texts)]
    if wrong:
        return wrong
    say = f"{len(runs)} runs: every journal is unbroken, and agrees with result, kept values and audit entries"
    return [Finding(True, name, say)]


def disagreements(stored: Stored, runs: Sequence[str]) -> Iterator[Disagreement]:
    """Yield what does not agree in an archive: of its audit entries, its methods, and its runs."""
    for entry in stored.trail(0):
        yield from own_hash(entry.stored)
    yield from of_methods(stored)
    for row in stored.rows("SELECT DISTINCT kind, id FROM records ORDER BY kind, id"):
        yield from of_records(stored, row["kind"], row["id"])
    for run in runs:
        with stored.snapshot():
            yield from of_archived_run(stored, run)


def _against(database: Stored, archive: Stored, name: str, sha256: str) -> list[Finding]:
    """Compare an archive with the database: its identity, its digest in the record, and every audit entry."""
    here, there = (s.one("SELECT source FROM meta") or {"source": NOTHING} for s in (archive, database))
    if here != there:
        say = f"is of database {here['source']}, and this is {there['source']}; nothing of it is compared"
        return [Finding(False, name, say, "check it with the database that it is of (--state), or by itself")]
    wrong = [d.text for d in differences(database, archive)]
    record = database.one(
        "SELECT json_extract(data, '$.sha256') AS sha256, json_array_length(data, '$.runs') AS runs FROM records "
        "WHERE kind = 'archive' AND id = ? ORDER BY revision DESC LIMIT 1",
        name.removesuffix(".archive"),
    )
    if record is None:
        wrong.append("the database has no record of it: its journals are still in the database")
    elif record["sha256"] != sha256:
        wrong.append(
            f"was changed after it was written: its SHA-256 is {sha256}, and its record has {record['sha256']}"
        )
    if wrong:
        return [Finding(False, name, text, DO) for text in list(dict.fromkeys(wrong))[:MOST_SHOWN]]
    return [Finding(True, name, f"{record['runs'] if record else 0} runs agree with the audit trail of the database")]


def differences(database: Stored, archive: Stored) -> Iterator[Disagreement]:
    """Yield the audit entries of an archive that the database does not have, and the journals that differ from it."""
    for entry in archive.trail(0):
        e = entry.stored
        same = database.one("SELECT hash FROM audit WHERE seq = ?", e.seq)
        if same is None or same["hash"] != e.hash:
            there = None if same is None else same["hash"]
            yield Disagreement("audit", str(e.seq), "hash", e.hash, there, "the audit trail of the database")
    for run in archived_runs(archive):
        ended = database.one(
            "SELECT json_extract(detail, '$.journal_digest') AS digest FROM audit WHERE subject = ? "
            "AND what = 'run_ended' ORDER BY seq LIMIT 1",
            run.run,
        )
        there = None if ended is None else ended["digest"]
        if there is None or there != run.digest:
            where = "the audit trail of the database"
            field = "digest" if run.blocks else ROW
            yield Disagreement("journal", f"{run.run}/{max(run.blocks - 1, 0)}", field, run.digest, there, where)
