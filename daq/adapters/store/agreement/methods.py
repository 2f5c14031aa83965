"""Compare the registered methods with their digests and with the audit trail."""

from collections.abc import Iterator

from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement, at, differing
from daq.adapters.store.agreement.stored import Row, Stored, oldest
from daq.adapters.store.audit import digest_of
from daq.adapters.store.rows import json_or_none


def of_methods(stored: Stored) -> Iterator[Disagreement]:
    """Compare each method."""
    for row in stored.rows("SELECT * FROM methods"):
        yield from of_method(stored, row)


def of_method(stored: Stored, row: Row) -> Iterator[Disagreement]:
    """Compare a method: its text with its digest, its digest and time with its audit entry."""
    name = f"{row['id']} {row['version']}"
    entry = oldest(stored.entries(name, "method_registered"), "method_registered")
    computed = digest_of(row["text"].encode("utf-8", "surrogateescape"))
    if computed != row["digest"]:
        yield Disagreement("methods", name, "text", computed, row["digest"], f"methods {name}, digest")
    text = json_or_none(row["text"])
    for key in ("id", "version"):
        if (here := at(text, key)) is not None and here != row[key]:
            yield Disagreement("methods", name, f"text {key}", here, row[key], f"methods {name}, {key}")
    if entry is None:
        yield Disagreement("methods", name, ROW, row["digest"], NOTHING, "an audit trail that does not name it")
        return
    there = {"digest": entry.detail.get("digest"), "registered_utc_ns": entry.stored.utc_ns}
    yield from differing("methods", name, row, there, entry.where)
