"""Writing of received events, each once, in one transaction for each batch."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Final, Self

from psycopg import AsyncConnection, sql

from daq.collect.columns import CURVE, REPORTABLE, RESULT, SIGNATURE, Column, names_of
from daq.collect.decode import Event, Live, database_of
from daq.collect.partitions import has_partition, make_partitions, month_of
from daq.collect.sources import bind, foreign_text, number_sources

LONGEST_TOPIC: Final = 600
"""Maximum number of characters of a refused message's topic; a row of an index has at most 2,704 bytes."""
_KEYS: Final = ("source", "id", "sequence", "time", "digest", "stream")


@dataclass(frozen=True, slots=True)
class Written:
    """Numbers of events of a batch.

    Attributes:
        taken: newly stored.
        duplicates: stored before, with the same content.
        conflicts: of a stored id with other content, or with a second id for a stored sequence number.
        foreign: under another prefix than the one that their database is bound to; they are kept as refused.
    """

    taken: int = 0
    duplicates: int = 0
    conflicts: int = 0
    foreign: int = 0


@dataclass(frozen=True, slots=True)
class RefusedMessage:
    """A message that is not an event, to be kept with the reason."""

    topic: str
    payload: bytes
    digest: bytes
    reason: str

    @classmethod
    def of(cls, topic: str, payload: bytes, reason: str) -> Self:
        """Return the message with a topic that the table's index takes, however long or damaged the topic is."""
        topic = topic.replace("\x00", "?").encode("utf-8", "replace").decode()[:LONGEST_TOPIC]
        return cls(topic, payload, hashlib.sha256(payload).digest(), reason)


class _Kind:
    """The SQL statements for the events of one kind, which reach their table through a temporary one."""

    def __init__(self, table: str, columns: Sequence[Column]) -> None:
        filled = names_of(columns)
        self.staged: Final = ("ordinal", "digest", *filled)
        stage = sql.Identifier(f"stage_{table}")
        own = sql.SQL(", ").join(sql.Identifier(c) for c in filled)
        staged = sql.SQL(", ").join(sql.Identifier(c) for c in self.staged)
        target = sql.Identifier("lab", table)
        keys = sql.SQL(", ").join(sql.Identifier(c) for c in _KEYS)
        # Other kinds have the sequence number of a result, which must count once.
        key_values = sql.SQL("source, id, {}, time, digest, stream").format(
            sql.SQL("sequence" if table == "results" else "NULL::bigint")
        )
        self.make = sql.SQL(
            "CREATE TEMP TABLE {stage} ON COMMIT DELETE ROWS AS "
            "SELECT 0 AS ordinal, ''::bytea AS digest, {own} FROM {target} LIMIT 0"
        ).format(stage=stage, own=own, target=target)
        self.copy = sql.SQL("COPY {stage} ({staged}) FROM STDIN").format(stage=stage, staged=staged)
        # In the order of the keys, so that two workers with the same events wait for each other and do not deadlock.
        self.claim = sql.SQL(
            "WITH fresh AS (INSERT INTO lab.keys ({keys}) SELECT {key_values} FROM {stage} "
            "ORDER BY source, stream, sequence, ordinal ON CONFLICT DO NOTHING RETURNING source, id) "
            "SELECT ordinal FROM {stage} JOIN fresh USING (source, id)"
        ).format(keys=keys, key_values=key_values, stage=stage)
        self.known = sql.SQL(
            # Without a key of this id, the sequence number belongs to another id.
            "SELECT s.ordinal FROM {stage} s LEFT JOIN lab.keys k USING (source, id) "
            "WHERE s.ordinal <> ALL(%s) AND s.digest IS DISTINCT FROM k.digest"
        ).format(stage=stage)
        self.clear = sql.SQL("DELETE FROM {stage}").format(stage=stage)
        self.drop = sql.SQL("DELETE FROM {stage} WHERE ordinal <> ALL(%s)").format(stage=stage)
        self.insert = sql.SQL("INSERT INTO {target} ({own}) SELECT {own} FROM {stage} ORDER BY ordinal").format(
            target=target, own=own, stage=stage
        )


_KINDS: Final = {
    "result": _Kind("results", RESULT),
    "curve": _Kind("curves", CURVE),
    "reportable": _Kind("reportables", REPORTABLE),
    "signature": _Kind("signatures", SIGNATURE),
}
_ADD_STREAMS: Final = (
    "INSERT INTO lab.streams (source, stream) SELECT * FROM unnest(%s::integer[], %s::text[]) ON CONFLICT DO NOTHING"
)
_ADD_CONFLICT: Final = (
    "INSERT INTO lab.conflicts (source, id, stream, sequence, digest, topic, payload) "
    "VALUES (%s, %s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING"
)
_ADD_REFUSED: Final = (
    "INSERT INTO lab.refused (topic, reason, digest, payload) VALUES (%s, %s, %s, %s) "
    "ON CONFLICT (digest, topic) DO UPDATE SET times = refused.times + 1, last = now(), reason = EXCLUDED.reason"
)
_ADD_READINGS: Final = (
    "INSERT INTO lab.readings (time, source, instrument, run, channel, value, unit, quality) "
    "SELECT * FROM unnest(%s::timestamptz[], %s::integer[], %s::text[], %s::text[], %s::text[], %s::float8[], "
    "%s::text[], %s::text[]) ON CONFLICT DO NOTHING"
)


def row_of(e: Event, source: int) -> dict[str, Any]:
    """Return an event's values by column name; `source` is the number of its source."""
    around = {"source": source, "id": e.id, "time": e.time, "stream": e.stream, "sequence": e.sequence}
    return {**around, "prefix": e.prefix, **e.values, "event": e.text}


@dataclass(slots=True)
class _Committed:
    """Sources, streams and months that this connection has seen committed."""

    sources: dict[str, int] = field(default_factory=dict)
    streams: set[tuple[int, str]] = field(default_factory=set)
    months: set[tuple[int, int]] = field(default_factory=set)


class Writer:
    """Writer over one connection in autocommit mode, one batch at a time."""

    def __init__(self, db: AsyncConnection) -> None:
        self._db = db
        self._known = _Committed()

    async def prepare(self) -> None:
        """Make the temporary tables of the connection; call it once."""
        for kind in _KINDS.values():
            await self._db.execute(kind.make)

    async def take(self, events: Sequence[Event], refused: Iterable[RefusedMessage] = ()) -> Written:
        """Commit events and refused messages; events stored before are only counted.

        An event under another prefix than the one that its database is bound to becomes a refused message.

        Raises:
            psycopg.Error, UnicodeError: nothing was written; `database.is_data_error` tells whether the data cause it.
        """
        await self._make_room(e.time for e in events)
        known = _Committed(dict(self._known.sources), set(self._known.streams))
        written = Written()
        async with self._db.transaction():
            own, foreign = await self._bound(events)
            for message in (*refused, *foreign):
                await self._db.execute(_ADD_REFUSED, (message.topic, message.reason, message.digest, message.payload))
            if own:
                await self._find_sources(known, {e.source for e in own})
                await self._find_streams(known, own)
                written = await self._take_all(known, own)
            written = replace(written, foreign=len(foreign))
        # Only after the commit: a rolled-back source or stream is not known.
        self._known.sources, self._known.streams = known.sources, known.streams
        return written

    async def take_live(self, values: Sequence[Live]) -> int:
        """Commit live values; return the number of dropped ones, under a foreign prefix.  Errors as `take`."""
        if not values:
            return 0
        await self._make_room(v.time for v in values)
        known = _Committed(dict(self._known.sources))
        given = len(values)
        async with self._db.transaction():
            prefixes = await self._bind(values)
            values = [v for v in values if v.prefix == prefixes[database_of(v.source)[0]]]
            if not values:
                return given
            await self._find_sources(known, {v.source for v in values})
            rows = [
                (v.time, known.sources[v.source], v.instrument, v.run, v.channel, v.value, v.unit, v.quality)
                for v in values
            ]
            await self._db.execute(_ADD_READINGS, [list(column) for column in zip(*rows, strict=True)])
        self._known.sources = known.sources
        return given - len(values)

    async def _bind(self, messages: Sequence[Event] | Sequence[Live]) -> dict[str, str]:
        """Return the prefix of each database in some messages; the first message of a new one binds it."""
        firsts: dict[str, str] = {}
        for m in messages:
            firsts.setdefault(database_of(m.source)[0], m.prefix)
        return await bind(self._db, firsts)

    async def _bound(self, events: Sequence[Event]) -> tuple[list[Event], list[RefusedMessage]]:
        """Return the events under the prefix of their database, and the others as refused messages."""
        prefixes = await self._bind(events)
        own: list[Event] = []
        foreign: list[RefusedMessage] = []
        for e in events:
            prefix = prefixes[database_of(e.source)[0]]
            if e.prefix == prefix:
                own.append(e)
            else:
                reason = foreign_text(e.source, e.prefix, prefix)
                foreign.append(RefusedMessage.of(e.topic, e.text.encode(), reason))
        return own, foreign

    async def _make_room(self, times: Iterable[datetime]) -> None:
        now = month_of(datetime.now(UTC))
        for month in {month_of(t) for t in times} - self._known.months:
            if has_partition(month, now):
                await make_partitions(self._db, month)
                self._known.months.add(month)

    async def _find_sources(self, known: _Committed, sources: set[str]) -> None:
        known.sources.update(await number_sources(self._db, sources - known.sources.keys()))

    async def _find_streams(self, known: _Committed, events: Sequence[Event]) -> None:
        new = sorted({(known.sources[e.source], e.stream) for e in events} - known.streams)
        if not new:
            return
        await self._db.execute(_ADD_STREAMS, [list(column) for column in zip(*new, strict=True)])
        known.streams.update(new)

    async def _take_all(self, known: _Committed, events: Sequence[Event]) -> Written:
        taken = duplicates = conflicts = 0
        while events:
            # A batch may hold the same event twice: after a lost connection, or after a request for it.
            firsts: dict[tuple[str, Any], Event] = {}
            again = [e for e in events if firsts.setdefault((e.source, e.id), e) is not e]
            for name, kind in _KINDS.items():
                own = [e for e in firsts.values() if e.kind == name]
                if own:
                    if taken or duplicates or conflicts:
                        await self._db.execute(kind.clear)
                    fresh, changed = await self._take_kind(known, kind, own)
                    taken += fresh
                    duplicates += len(own) - fresh - len(changed)
                    conflicts += len(changed)
                    for e in changed:
                        sequence = e.sequence if e.kind == "result" else None
                        values = (
                            known.sources[e.source], e.id, e.stream, sequence, e.digest, e.topic, e.text.encode(),
                        )  # fmt: skip
                        await self._db.execute(_ADD_CONFLICT, values)
            events = again
        return Written(taken, duplicates, conflicts)

    async def _take_kind(self, known: _Committed, kind: _Kind, events: list[Event]) -> tuple[int, list[Event]]:
        """Store events of one kind; return the number of new ones, and those that contradict a stored one."""
        db = self._db
        async with db.cursor() as cursor, cursor.copy(kind.copy) as copy:
            for ordinal, e in enumerate(events):
                row = row_of(e, known.sources[e.source]) | {"ordinal": ordinal, "digest": e.digest}
                await copy.write_row([row[name] for name in kind.staged])
        fresh = [ordinal for (ordinal,) in await (await db.execute(kind.claim)).fetchall()]
        changed: list[Event] = []
        if len(fresh) < len(events):
            found = await (await db.execute(kind.known, (fresh,))).fetchall()
            changed = [events[ordinal] for (ordinal,) in found]
            await db.execute(kind.drop, (fresh,))
        if fresh:
            await db.execute(kind.insert)
        return len(fresh), changed
