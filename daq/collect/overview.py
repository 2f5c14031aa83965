"""Overview of the collection for `daq collect --show`: daemons, streams, gaps, workers, refused messages."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import psycopg

from daq.collect.database import PostgresSettings, error_text, open_database
from daq.collect.schema import STEPS
from daq.collect.settings import MOST_MISSING
from daq.core.errors import StoreError

SHOWN: Final = 20
"""Maximum number of gaps, refused messages and conflicts in the lists."""

_STREAMS: Final = """
SELECT b.prefix, s.source, t.stream, t.announced, top.sequence, top.time, coalesce(g.missing, 0),
    coalesce(t.announced - t.looked + coalesce(g.missing, 0) > %s, false)
FROM lab.streams t JOIN lab.sources s ON s.no = t.source LEFT JOIN lab.databases b ON b.database = s.database
LEFT JOIN LATERAL (
    SELECT sequence, time FROM lab.keys WHERE source = t.source AND stream = t.stream AND sequence IS NOT NULL
    ORDER BY sequence DESC LIMIT 1) top ON true
LEFT JOIN (SELECT source, stream, sum(last - first + 1)::bigint AS missing FROM lab.gaps GROUP BY 1, 2) g
    ON g.source = t.source AND g.stream = t.stream
ORDER BY b.prefix, t.stream, s.epoch
"""
_DAEMONS: Final = (
    "SELECT d.prefix, d.source, d.state, d.time, d.seen, d.status #>> '{versions,daq}', b.prefix FROM lab.daemons d "
    "LEFT JOIN lab.sources s ON s.source = d.source LEFT JOIN lab.databases b ON b.database = s.database "
    "ORDER BY d.prefix"
)
_GAPS: Final = (
    "SELECT no, prefix, source, stream, first, last, seen, asks, next_ask FROM lab.missing ORDER BY seen LIMIT %s"
)
_WORKERS: Final = """
SELECT "group", worker, host, pid, started, beat, extract(epoch FROM now() - beat)::float8, watches, taken, duplicates,
    conflicts, refused, in_hand, trouble FROM lab.workers ORDER BY 1, 2
"""
_REFUSED: Final = "SELECT no, topic, reason, times, last FROM lab.refused ORDER BY last DESC LIMIT %s"
_CONFLICTS: Final = """
SELECT s.source, c.stream, c.sequence, c.id::text, c.topic, c.received
FROM lab.conflicts c JOIN lab.sources s ON s.no = c.source
ORDER BY c.received DESC LIMIT %s
"""
_BREAKS: Final = """
SELECT source, stream, sequence, id::text, received, audit_number, reason FROM lab.audit_breaks WHERE position = 1
ORDER BY received
"""
_COUNTS: Final = """
SELECT (SELECT count(*) FROM lab.refused), (SELECT count(*) FROM lab.conflicts),
    (SELECT coalesce(sum(n_live_tup), 0)::bigint FROM pg_stat_user_tables t JOIN pg_inherits i ON i.inhrelid = t.relid
     WHERE i.inhparent = 'lab.results'::regclass),
    (SELECT percentile_cont(0.5) WITHIN GROUP (ORDER BY extract(epoch FROM received - time))::float8
     FROM (SELECT received, time FROM lab.results WHERE time > now() - interval '1 hour' LIMIT 10000) recent)
"""


@dataclass(frozen=True, slots=True)
class Overview:
    """The rows of the queries, by column name.

    Attributes:
        refused_count, conflict_count: numbers of all refused messages and conflicts.
        results: number of results, as estimated by the server.
        delay_s: median time (s) from an event to its reception, over the last hour; None without results.
    """

    daemons: list[dict[str, Any]]
    streams: list[dict[str, Any]]
    gaps: list[dict[str, Any]]
    workers: list[dict[str, Any]]
    refused: list[dict[str, Any]]
    conflicts: list[dict[str, Any]]
    refused_count: int
    conflict_count: int
    results: int
    delay_s: float | None

    @property
    def missing(self) -> int:
        """Number of results that daemons counted and that are not stored."""
        return sum(s["missing"] for s in self.streams)

    @property
    def not_believed(self) -> int:
        """Number of streams whose announced end would make too many results missing."""
        return sum(s["not_believed"] for s in self.streams)

    def as_json(self) -> dict[str, Any]:
        """Return the overview as JSON values."""

        def plain(value: Any) -> Any:
            return value.isoformat() if isinstance(value, datetime) else value

        lists = {
            name: [{k: plain(v) for k, v in row.items()} for row in getattr(self, name)]
            for name in ("daemons", "streams", "gaps", "workers", "refused", "conflicts")
        }
        return {
            **lists,
            "refused_count": self.refused_count,
            "conflict_count": self.conflict_count,
            "missing": self.missing,
            "results": self.results,
            "delay_s": self.delay_s,
        }


async def read_overview(settings: PostgresSettings, most_missing: int = MOST_MISSING) -> Overview:
    """Read the overview from the database; `most_missing` as in `GapSettings`.

    Raises:
        StoreError: the database is away, or its tables are missing or older than this version.
    """
    db = await open_database(settings, "daq collect --show")
    try:
        there = await (await db.execute("SELECT to_regclass('lab.migrations') IS NOT NULL")).fetchone()
        if there == (False,):
            raise StoreError(f"{settings.place} has no schema 'lab' yet: start a worker with `daq collect`")
        done = {name for (name,) in await (await db.execute("SELECT name FROM lab.migrations")).fetchall()}
        if missing := [name for name, _ in STEPS if name not in done]:
            raise StoreError(f"{settings.place} lacks {', '.join(missing)}: start a worker of this version once")
        refused, conflicts, results, delay = (await _rows(db, _COUNTS))[0]
        return Overview(
            daemons=await _named(db, "prefix source state time seen version bound", _DAEMONS),
            streams=await _named(
                db, "prefix source stream announced here newest missing not_believed", _STREAMS, most_missing
            ),
            gaps=await _named(db, "no prefix source stream first last seen asks next_ask", _GAPS, SHOWN),
            workers=await _named(
                db,
                "group worker host pid started beat silent_s watches taken duplicates conflicts refused in_hand "
                "trouble",
                _WORKERS,
            ),
            refused=await _named(db, "no topic reason times last", _REFUSED, SHOWN),
            conflicts=await _named(db, "source stream sequence id topic received", _CONFLICTS, SHOWN),
            refused_count=refused,
            conflict_count=conflicts,
            results=results,
            delay_s=delay,
        )
    except psycopg.Error as error:
        raise StoreError(f"the database {settings.place} cannot be read: {error_text(error)}") from error
    finally:
        await db.close()


async def read_audit_breaks(settings: PostgresSettings) -> list[dict[str, Any]]:
    """Return, for each database, its first result that does not continue the audit trail.

    Raises:
        StoreError: the database is away, or its tables are missing.
    """
    db = await open_database(settings, "daq collect --audit")
    try:
        return await _named(db, "source stream sequence id received audit_number reason", _BREAKS)
    except psycopg.Error as error:
        raise StoreError(f"the database {settings.place} cannot be read: {error_text(error)}") from error
    finally:
        await db.close()


async def _rows(db: psycopg.AsyncConnection, text: str, *values: Any) -> list[tuple[Any, ...]]:
    return await (await db.execute(text, values)).fetchall()


async def _named(db: psycopg.AsyncConnection, names: str, text: str, *values: Any) -> list[dict[str, Any]]:
    return [dict(zip(names.split(), row, strict=True)) for row in await _rows(db, text, *values)]
