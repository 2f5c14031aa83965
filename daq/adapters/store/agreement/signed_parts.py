"""Compare the digests in a signature with the stored texts that it covers."""

from collections.abc import Iterator
from typing import Any, Final

from daq.adapters.store.agreement.disagreement import NOTHING, Disagreement
from daq.adapters.store.agreement.stored import Row, Stored
from daq.adapters.store.audit import digest_of
from daq.adapters.store.rows import json_or_none

SIGNATURE: Final = "signature"
"""Kind of the records of signatures."""


def of_signature(stored: Stored, row: Row) -> Iterator[Disagreement]:
    """Compare the parts of a signature, whose row of `records` is `row`, with what is stored now."""
    data = json_or_none(row["data"])
    parts = data.get("parts") if isinstance(data, dict) else None
    for part in parts if isinstance(parts, list) else ():
        if isinstance(part, dict):
            yield from _of_part(stored, row["id"], part)


def _of_part(stored: Stored, signature: str, part: dict[str, Any]) -> Iterator[Disagreement]:
    kind, ident, revision = (part.get(name) for name in ("kind", "id", "revision"))
    if kind == "result":
        found = stored.one("SELECT data FROM results WHERE id = ?", ident)
    else:
        sql = "SELECT data FROM records WHERE kind = ? AND id = ? AND revision = ?"
        found = stored.one(sql, kind, ident, revision)
    here = NOTHING if found is None else digest_of(found["data"].encode("utf-8", "surrogateescape"))
    if here != part.get("digest"):
        where = f"{kind} {ident}" + (f"/{revision}" if revision else "")
        yield Disagreement("records", f"{SIGNATURE} {signature}", f"digest of {where}", part.get("digest"), here, where)
