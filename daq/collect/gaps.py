"""Missing results: found from the stored sequence numbers and those that daemons announce, and requested again.

`lab.streams.looked` is the last sequence number that was checked: every number up to it is either in `lab.keys` or in
`lab.gaps`.  So the cost of a check depends on the new results, not on the stored ones.

A damaged or forged number must not make thousands of results missing.  Where the daemon has announced the end of a
stream, no number above that end is missing; an end that falls takes the gaps above it back.  Where it has not, at most
`UNCONFIRMED` results of the stream are missing.  An end that would make more than `GapSettings.most_missing` results of
a stream missing is not believed.
"""

import json
import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from psycopg import AsyncConnection

from daq.adapters.mqtt.topics import check_level
from daq.collect.decode import NotAnEventError, database_of, lenient_moment
from daq.collect.settings import MOST_MISSING, GapSettings
from daq.collect.sources import bind, bound, number_sources
from daq.core.errors import SettingError

MAX_RESULTS: Final = 500
"""Maximum number of results in one request."""
SPACING_S: Final = 6.0
"""Shortest time (s) between two requests for one stream; a daemon answers one in 5 s."""
MAX_REQUESTS: Final = 200
"""Maximum number of requests in one check."""
MAX_REQUESTS_TO_DAEMON: Final = 5
"""Maximum number of requests to one daemon in one check; a daemon answers twenty in 5 s."""
_MAX_NEW: Final = 100_000
"""Maximum number of new results of a stream in one check."""
_MAX_SEQUENCE: Final = 10**15
"""Sequence numbers from here on in a status are ignored."""
UNCONFIRMED: Final = 1000
"""Largest number of missing results of a stream whose end no status has announced."""
MAX_STREAMS: Final = 1000
"""Largest number of streams in one status."""

#: Without history: makes a stream start with its first stored result.
_START_AT_FIRST: Final = """
UPDATE lab.streams s SET looked = coalesce(
    (SELECT min(k.sequence) - 1 FROM lab.keys k WHERE k.source = s.source AND k.stream = s.stream), s.announced, 0)
WHERE s.looked = 0
"""
#: Takes back what lies above an announced end, in three steps.
_TAKE_BACK: Final = (
    """
WITH above AS (
    DELETE FROM lab.gaps g USING lab.streams s
    WHERE s.source = g.source AND s.stream = g.stream AND g.last > s.announced RETURNING g.*, s.announced
)
INSERT INTO lab.gaps (source, stream, first, last, seen, asks, next_ask)
SELECT source, stream, first, announced, seen, asks, next_ask FROM above WHERE first <= announced
""",
    """
WITH above AS (
    DELETE FROM lab.forgotten f USING lab.streams s
    WHERE s.source = f.source AND s.stream = f.stream AND f.last > s.announced RETURNING f.*, s.announced
)
INSERT INTO lab.forgotten (source, stream, first, last, at)
SELECT source, stream, first, announced, at FROM above WHERE first <= announced ON CONFLICT DO NOTHING
""",
    "UPDATE lab.streams SET looked = announced WHERE looked > announced",
)
#: Adds the holes between new results to the gaps, and advances `looked`: up to the announced end, and in all to the
#: largest number of missing results (%s: without an end, %s: with one).
_ADD_HOLES: Final = """
WITH missing AS (SELECT source, stream, sum(last - first + 1) AS n FROM lab.gaps GROUP BY source, stream),
news AS (
    SELECT s.source, s.stream, s.announced, k.sequence,
        lag(k.sequence, 1, s.looked) OVER (PARTITION BY s.source, s.stream ORDER BY k.sequence) AS before
    FROM lab.streams s CROSS JOIN LATERAL (
        SELECT sequence FROM lab.keys WHERE source = s.source AND stream = s.stream AND sequence > s.looked
            AND (s.announced IS NULL OR sequence <= s.announced)
        ORDER BY sequence LIMIT %s) k
), counted AS (
    SELECT n.*, sum(sequence - before - 1) OVER (PARTITION BY source, stream ORDER BY sequence) AS added,
        coalesce(m.n, 0) AS missing
    FROM news n LEFT JOIN missing m USING (source, stream)
), checked AS (
    -- The sums grow with the numbers, so these are the first rows of each stream, up to a hole that is not believed.
    SELECT * FROM counted WHERE added = 0 OR added + missing <= CASE WHEN announced IS NULL THEN %s ELSE %s END
), holes AS (
    INSERT INTO lab.gaps (source, stream, first, last)
    SELECT source, stream, before + 1, sequence - 1 FROM checked WHERE sequence > before + 1
), tops AS (SELECT source, stream, max(sequence) AS top FROM checked GROUP BY source, stream)
UPDATE lab.streams s SET looked = top FROM tops WHERE s.source = tops.source AND s.stream = tops.stream
"""
#: Adds announced results after the last checked one to the gaps, where the daemon is believed.
_ADD_ANNOUNCED: Final = """
WITH missing AS (SELECT source, stream, sum(last - first + 1) AS n FROM lab.gaps GROUP BY source, stream),
ends AS (
    SELECT s.source, s.stream, s.looked + 1 AS first, s.announced AS last
    FROM lab.streams s LEFT JOIN missing m USING (source, stream)
    WHERE s.announced > s.looked AND s.announced - s.looked + coalesce(m.n, 0) <= %s
), added AS (INSERT INTO lab.gaps (source, stream, first, last) SELECT * FROM ends)
UPDATE lab.streams s SET looked = e.last FROM ends e WHERE s.source = e.source AND s.stream = e.stream
"""
#: Removes the gaps that a person declared as not missing.
_REMOVE_FORGOTTEN: Final = """
DELETE FROM lab.gaps g USING lab.forgotten f
WHERE f.source = g.source AND f.stream = g.stream AND g.first >= f.first AND g.last <= f.last
"""
_FORGET: Final = """
WITH gone AS (DELETE FROM lab.gaps WHERE no = %s RETURNING source, stream, first, last)
INSERT INTO lab.forgotten (source, stream, first, last) SELECT * FROM gone
ON CONFLICT (source, stream, first, last) DO UPDATE SET at = now() RETURNING stream, first, last
"""
#: Removes arrived results from the gaps.  The pieces left of a partly filled gap are requested as new gaps, without the
#: long wait of the old one, because the daemon does answer.
_REMOVE_FILLED: Final = """
WITH here AS (
    SELECT g.no, k.sequence FROM lab.gaps g CROSS JOIN LATERAL (
        SELECT sequence FROM lab.keys WHERE source = g.source AND stream = g.stream
        AND sequence BETWEEN g.first AND g.last ORDER BY sequence LIMIT %s) k
), touched AS (DELETE FROM lab.gaps WHERE no IN (SELECT no FROM here) RETURNING *),
edges AS (SELECT no, sequence FROM here UNION ALL SELECT no, last + 1 FROM touched),
pieces AS (
    SELECT t.source, t.stream, t.seen, e.sequence - 1 AS last,
        lag(e.sequence, 1, t.first - 1) OVER (PARTITION BY e.no ORDER BY e.sequence) + 1 AS first
    FROM edges e JOIN touched t USING (no)
)
INSERT INTO lab.gaps (source, stream, first, last, seen)
SELECT source, stream, first, last, seen FROM pieces WHERE last >= first
"""
#: Selects the gaps to request now, at most one of each stream.
_DUE: Final = """
SELECT * FROM (
    SELECT DISTINCT ON (g.source, g.stream) g.no, s.source, b.prefix, g.stream, g.first, g.last, g.next_ask
    FROM lab.gaps g JOIN lab.streams t ON t.source = g.source AND t.stream = g.stream
    JOIN lab.sources s ON s.no = g.source JOIN lab.databases b ON b.database = s.database
    LEFT JOIN lab.daemons d ON d.prefix = b.prefix
    WHERE g.seen <= now() - make_interval(secs => %s) AND g.next_ask <= now()
        AND coalesce(t.asked <= now() - make_interval(secs => %s), true) AND coalesce(d.state, '') <> 'offline'
    ORDER BY g.source, g.stream, g.next_ask, g.first
) due ORDER BY next_ask LIMIT %s
"""
#: Schedules the next request for a gap.
_SCHEDULE: Final = """
WITH one AS (
    UPDATE lab.gaps SET asks = asks + 1, next_ask = now() + make_interval(
        secs => least(%s::float8, %s::float8 * power(2, least(asks, 30))) * %s::float8)
    WHERE no = %s RETURNING source, stream
)
UPDATE lab.streams t SET asked = now() FROM one WHERE t.source = one.source AND t.stream = one.stream
"""
#: Stores the newest status of each daemon.
_ADD_STATUSES: Final = """
INSERT INTO lab.daemons (prefix, source, state, time, status)
SELECT * FROM unnest(%s::text[], %s::text[], %s::text[], %s::timestamptz[], %s::jsonb[])
ON CONFLICT (prefix) DO UPDATE SET source = EXCLUDED.source, state = EXCLUDED.state, time = EXCLUDED.time,
    seen = now(), status = EXCLUDED.status
"""
#: Stores the last sequence number that a status has for each stream.  An offline status, as a will, may be old: it does
#: not lower the number.
_ANNOUNCE: Final = """
INSERT INTO lab.streams (source, stream, announced)
SELECT s.no, n.stream, n.announced
FROM unnest(%s::text[], %s::text[], %s::bigint[], %s::boolean[]) AS n (source, stream, announced, online)
JOIN lab.sources s ON s.source = n.source
WHERE n.online = %s
ORDER BY 1, 2
ON CONFLICT (source, stream) DO UPDATE SET announced = EXCLUDED.announced
WHERE streams.announced IS NULL OR streams.announced < EXCLUDED.announced OR %s
"""


@dataclass(frozen=True, slots=True)
class Request:
    """A request for results of one stream.

    Attributes:
        gap: number of the gap in `lab.gaps`.
        first, last: sequence numbers, both included.
    """

    gap: int
    source: str
    prefix: str
    stream: str
    first: int
    last: int

    @property
    def topic(self) -> str:
        """Topic on which the daemon takes requests."""
        return f"{self.prefix}/refill"

    @property
    def payload(self) -> bytes:
        """Payload of the request, JSON."""
        asked = {"source": self.source, "stream": self.stream, "first": self.first, "last": self.last}
        return json.dumps(asked, ensure_ascii=False).encode()


@dataclass(frozen=True, slots=True)
class Status:
    """Status of a daemon.

    Attributes:
        prefix: levels of its topics up to ``lab/v1``.
        state: ``online`` or ``offline``.
        sequences: last sequence number of each stream, where the status has it.
        text: the received payload.
    """

    prefix: str
    source: str
    state: str
    time: datetime | None
    sequences: Mapping[str, int]
    text: str


def read_status(topic: str, payload: bytes) -> Status:
    """Return the status in a message.

    Raises:
        NotAnEventError: the message is not a status.
    """
    try:
        text = payload.decode("utf-8")
        status: Any = json.loads(text)
    except (ValueError, RecursionError):
        raise NotAnEventError("the status is not JSON") from None
    if not isinstance(status, dict):
        raise NotAnEventError("the status is not a JSON object")
    source, state, sequences = status.get("source"), status.get("state"), status.get("sequences") or {}
    if not isinstance(source, str) or not isinstance(state, str) or not isinstance(sequences, dict) or "\x00" in state:
        raise NotAnEventError("the status has no source, no state, or sequences that are not a JSON object")
    database_of(source)
    if len(sequences) > MAX_STREAMS:
        raise NotAnEventError(f"the status has more than {MAX_STREAMS} streams")
    known = {
        str(stream): n
        for stream, n in sequences.items()
        if isinstance(n, int) and not isinstance(n, bool) and 0 < n < _MAX_SEQUENCE and _is_level(stream)
    }
    return Status(topic.removesuffix("/status"), source, state, lenient_moment(status.get("time")), known, text)


def _is_level(stream: str) -> bool:
    try:
        check_level(stream, key="stream")
    except SettingError:
        return False
    return True


async def store_statuses(db: AsyncConnection, statuses: Sequence[Status]) -> list[Status]:
    """Store statuses of daemons, at most one for each prefix; return those under a foreign prefix.

    A foreign status is shown, and its sequence numbers are not believed: its database is bound to another prefix.
    """
    if not statuses:
        return []
    async with db.transaction():
        await number_sources(db, (s.source for s in statuses))
        columns = zip(*((s.prefix, s.source, s.state, s.time, s.text) for s in statuses), strict=True)
        await db.execute(_ADD_STATUSES, [list(c) for c in columns])
        # After a change of its topics, a daemon has a second, old and offline status with the same source, which must
        # not bind it.
        online = {database_of(s.source)[0]: s.prefix for s in reversed(statuses) if s.state == "online"}
        prefixes = await bind(db, online) | await bound(db, (database_of(s.source)[0] for s in statuses))
        own = [s for s in statuses if prefixes.get(database_of(s.source)[0]) == s.prefix]
        rows = [(s.source, stream, n, s.state == "online") for s in own for stream, n in s.sequences.items()]
        if rows:
            values = [list(c) for c in zip(*rows, strict=True)]
            for is_online in (False, True):
                await db.execute(_ANNOUNCE, (*values, is_online, is_online))
    return [s for s in statuses if s not in own]


async def find_gaps(db: AsyncConnection, *, history: bool, most_missing: int = MOST_MISSING) -> None:
    """Add new gaps and remove filled ones; only one worker at a time may do this.

    Args:
        db: connection in autocommit mode.
        history: False: a stream starts with its first stored result.
        most_missing: largest number of missing results of a stream; an announced end that would make more missing is
            not believed.
    """
    bounds = (min(UNCONFIRMED, most_missing), most_missing)
    async with db.transaction():
        if not history:
            await db.execute(_START_AT_FIRST)
        for statement in _TAKE_BACK:
            await db.execute(statement)
        await db.execute(_REMOVE_FILLED, (_MAX_NEW,))
        await db.execute(_ADD_HOLES, (_MAX_NEW, *bounds))
        await db.execute(_ADD_ANNOUNCED, (most_missing,))
        await db.execute(_REMOVE_FORGOTTEN)


async def forget_gap(db: AsyncConnection, no: int) -> tuple[str, int, int] | None:
    """Declare the results of a gap as not missing; return their stream, first and last, or None without such a gap.

    The daemon is not asked for them again.  A result that arrives nevertheless is stored.
    """
    found = await db.execute(_FORGET, (no,))
    return await found.fetchone()


async def due_requests(db: AsyncConnection, settings: GapSettings) -> list[Request]:
    """Return the requests to send now: at most one for each stream, few for each daemon, none to offline daemons."""
    found = await db.execute(_DUE, (settings.patience_s, SPACING_S, MAX_REQUESTS))
    asked: Counter[str] = Counter()
    requests: list[Request] = []
    for no, source, prefix, stream, first, last, _ in await found.fetchall():
        asked[prefix] += 1
        if asked[prefix] <= MAX_REQUESTS_TO_DAEMON:
            requests.append(Request(no, source, prefix, stream, first, min(last, first + MAX_RESULTS - 1)))
    return requests


async def record_request(db: AsyncConnection, request: Request, settings: GapSettings, rng: random.Random) -> None:
    """Store that a request was sent, and schedule the next one after a doubled, partly random wait."""
    share = 1.0 - 0.5 * rng.random()
    await db.execute(_SCHEDULE, (settings.again_most_s, settings.again_s, share, request.gap))
