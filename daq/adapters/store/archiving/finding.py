"""Questions about journals and archives: which runs can be archived, what is archived already, how large it all is."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from daq.adapters.store.reading import Reader


@dataclass(frozen=True, slots=True)
class Journaled:
    """A run whose journal is in the database; `began_utc_ns` is its start, UTC ns."""

    run: str
    began_utc_ns: int


@dataclass(frozen=True, slots=True)
class Size:
    """Size of a database in bytes: of its file, and of its used part; the rest is free for new data."""

    file: int
    used: int


def journaled_runs(reader: Reader, after: tuple[int, str], before_utc_ns: int, limit: int) -> list[Journaled]:
    """Return the first `limit` ended runs that began after a time and id and before a time, and that have a journal."""
    rows = reader.query(
        "SELECT id, began_utc_ns FROM runs WHERE began_utc_ns >= ?1 AND (began_utc_ns > ?1 OR id > ?2) "
        "AND began_utc_ns < ?3 AND state = 'ended' AND EXISTS (SELECT 1 FROM journal WHERE run = runs.id) "
        "ORDER BY began_utc_ns, id LIMIT ?4",
        [*after, before_utc_ns, limit],
    )
    return [Journaled(row["id"], row["began_utc_ns"]) for row in rows]


def still_journaled(reader: Reader, runs: Iterable[str]) -> list[str]:
    """Return those of some runs whose journal is in the database, in the same order."""
    asked = json.dumps(list(runs))
    rows = reader.query(
        "SELECT value AS run FROM json_each(?) WHERE EXISTS (SELECT 1 FROM journal WHERE run = value) ORDER BY key",
        [asked],
    )
    return [str(row["run"]) for row in rows]


def began_of(reader: Reader, runs: Sequence[str]) -> dict[str, int]:
    """Return the start (UTC ns) of each of these runs that is stored."""
    rows = reader.query(
        "SELECT id, began_utc_ns FROM runs WHERE id IN (SELECT value FROM json_each(?))", [json.dumps(list(runs))]
    )
    return {row["id"]: row["began_utc_ns"] for row in rows}


def size_of(reader: Reader) -> Size:
    """Return the size of the database."""
    (row,) = reader.query(
        "SELECT page_size AS size, page_count AS pages, freelist_count AS free "
        "FROM pragma_page_size(), pragma_page_count(), pragma_freelist_count()"
    )
    return Size(row["size"] * row["pages"], row["size"] * (row["pages"] - row["free"]))
