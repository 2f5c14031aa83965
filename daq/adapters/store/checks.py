"""Checks of a database for `daq doctor` and `daq verify`: each returns its subject, finding and action to take."""

import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, Final

from daq.adapters.store.access import RESERVE_BYTES
from daq.adapters.store.agreement.disagreement import Disagreement
from daq.adapters.store.agreement.everything import NEWEST_RUNS, Comparison
from daq.adapters.store.agreement.outside import of_head, of_message
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.agreement.tables import of_tables
from daq.adapters.store.mark import MarkFile
from daq.adapters.store.outgoing.outbox_reading import changed_messages, quarantined
from daq.adapters.store.reading import Reader
from daq.core.errors import StoreError

RESTORE: Final = "stop daq, copy the file aside, and restore the last good backup; report what happened"
KEEP: Final = "keep both, stop daq, and find out which one was changed; `daq verify` compares the whole database"
OUTBOX_OLD_NS: Final = 3600 * 10**9
"""Age of the oldest waiting message above which the check of the outbox fails, ns."""
QUICK_BYTES: Final = 32 * 2**20
"""Size of a database (bytes) above which the quick checks do not read all of its pages."""
MOST_SHOWN: Final = 50
"""Largest number of disagreements that are shown one by one."""


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


def check_database(path: Path, *, utc_ns: int, quick: bool = False) -> list[Finding]:
    """Run all checks on one database, in order.  An unreadable file gives a finding, not an exception.

    Args:
        path: the database.
        utc_ns: the present time (ns since 1970), for the age of waiting messages.
        quick: compare only the newest `NEWEST_RUNS` runs, and read all pages only of a small file.
    """
    findings = [check_disk(path), *check_content(path, quick=quick)]
    try:
        with Reader(path) as reader:
            findings += _safely(lambda: [check_outbox(reader, utc_ns=utc_ns)])
    except StoreError:
        pass  # the checks of the content give the reason
    return findings


def check_content(path: Path, *, quick: bool = False, pause: Callable[[], None] | None = None) -> list[Finding]:
    """Run the checks that need no knowledge of the present: pages, references, definitions, agreement, last entry.

    `pause` is called after each compared run, so that a check in the background leaves time to other threads.
    """
    try:
        with Stored(path) as stored:
            findings = _safely(lambda: check_pages(stored, quick=quick))
            findings += _safely(lambda: check_agreement(stored, quick=quick, pause=pause))
        with Reader(path) as reader:
            findings += _safely(lambda: check_end(reader))
    except StoreError as error:
        return [Finding(False, "database", str(error), RESTORE)]
    return findings


def _safely(check: Callable[[], list[Finding]]) -> list[Finding]:
    try:
        return check()
    except StoreError as error:
        return [Finding(False, "database", str(error), RESTORE)]
    except (ValueError, TypeError, LookupError, AttributeError, ArithmeticError, RecursionError) as error:
        # A damaged file holds values of any type at any place.  The reader of the findings must learn of it.
        say = f"it holds values that daq never writes ({type(error).__name__}: {error})"
        return [Finding(False, "database", say.encode("utf-8", "backslashreplace").decode(), RESTORE)]


def check_pages(stored: Stored, *, quick: bool = False) -> list[Finding]:
    """Check all pages and indexes with SQLite's own integrity check, and every reference between tables."""
    size = stored.size()
    if quick and size > QUICK_BYTES:
        say = f"{size // 2**20} MiB, not read through by the quick check; `daq doctor --all` reads all pages"
        return [Finding(True, "database file", say)]
    rows = [str(next(iter(row.values()))) for row in stored.rows("PRAGMA integrity_check(10)")]
    pages = Finding(True, "database file", "all pages and indexes are whole")
    if rows != ["ok"]:
        # SQLite begins with a line about the database, and puts several faults of one page into one row.
        first = next((line for line in rows[0].splitlines() if not line.startswith("***")), rows[0])
        first = first.encode("utf-8", "backslashreplace").decode()
        pages = Finding(False, "database file", f"damaged: {first} ({len(rows)} faults shown of at most 10)", RESTORE)
    broken = stored.rows("PRAGMA foreign_key_check")
    references = Finding(True, "references", "every record refers to records that exist")
    if broken:
        tables = ", ".join(sorted({str(row["table"]) for row in broken}))
        say = f"{len(broken)} records (in {tables}) refer to others that are missing"
        references = Finding(False, "references", say, RESTORE)
    return [pages, references]


def check_outside(path: Path, messages: Sequence[tuple[str, dict[str, Any]]], heads: Sequence[str]) -> list[Finding]:
    """Compare messages (name and decoded event) and heads of the audit trail that were kept outside with a database."""
    try:
        with Stored(path) as stored:
            compared = [(name, of_message(stored, event, name)) for name, event in messages]
            compared += [(f"head {head[:12]}", of_head(stored, head, f"head {head[:12]}")) for head in heads]
            return [f for name, found in compared for f in _safely(partial(_outside, name, found))]
    except StoreError as error:
        return [Finding(False, "database", str(error), RESTORE)]


def _outside(name: str, found: Iterator[Disagreement]) -> list[Finding]:
    texts = dict.fromkeys(d.text for d in found)
    same = Finding(True, name, "the database has the same, on an unbroken audit trail")
    return [Finding(False, name, text, KEEP) for text in texts] or [same]


def check_agreement(stored: Stored, *, quick: bool = False, pause: Callable[[], None] | None = None) -> list[Finding]:
    """Compare every stored copy of a fact with the others and with the audit trail; a finding for each disagreement."""
    comparison = Comparison(quick=quick, pause=pause)
    findings: dict[str, Finding] = {}
    cut = False
    try:
        for d in islice(_all(stored, comparison), MOST_SHOWN * 10):
            if len(findings) == MOST_SHOWN:
                cut = True
                break
            findings.setdefault(d.text, Finding(False, f"table {d.table}", d.text, RESTORE))
    except StoreError as error:
        findings[str(error)] = Finding(False, "database", str(error), RESTORE)
    out = list(findings.values())
    if cut:
        out.append(Finding(False, "agreement", f"only the first {MOST_SHOWN} disagreements are shown", RESTORE))
    if out:
        return out
    which = f"the newest {NEWEST_RUNS} runs" if quick and comparison.runs >= NEWEST_RUNS else f"{comparison.runs} runs"
    archived = f" and {comparison.archived} in archives" if comparison.archived else ""
    say = (
        f"{which}, {comparison.entries} audit entries, {comparison.journals} journals{archived}: "
        "all copies of each fact are the same, and the chain of the audit trail is unbroken"
    )
    return [Finding(True, "agreement", say)]


def _all(stored: Stored, comparison: Comparison) -> Iterator[Disagreement]:
    yield from comparison.of(stored)
    yield from of_tables(stored)


def check_end(reader: Reader) -> list[Finding]:
    """Check that the audit trail reaches the entry that the mark beside the database names; nothing without a mark."""
    missing = MarkFile(reader.path).missing_entry(reader)
    if not missing:
        return []
    say = (
        f"audit {missing}, row: nothing or another entry here, the entry that the mark beside the database names: "
        "entries were removed from the end of the trail, or the database was put back from an older copy"
    )
    return [Finding(False, "table audit", say, RESTORE)]


def check_outbox(reader: Reader, *, utc_ns: int) -> Finding:
    """Check how many messages wait for the broker, for how long, and how many were refused."""
    depth = reader.outbox_depth()
    if depth.changed:
        first = changed_messages(reader, limit=1)[0]
        return Finding(
            False,
            "outbox",
            f"{depth.changed} messages were changed in the database after they were stored and are not sent, "
            f"the first: {first.topic} (result {first.result})",
            "run `daq verify`, which names each changed field; keep a copy of the database",
        )
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
