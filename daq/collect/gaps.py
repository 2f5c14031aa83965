"""Missing results: found from the stored sequence numbers and those that daemons announce, and requested again.

`lab.streams.looked` is the last sequence number that was checked: every number up to it is either in `lab.keys` or in
`lab.gaps`.  So the cost of a check depends on the new results, not on the stored ones.
"""

import json
import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from psycopg import AsyncConnection

from daq.collect.decode import NotAnEventError, database_of, lenient_moment
from daq.collect.settings import GapSettings
from daq.collect.sources import number_sources

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

#: Without history: makes a stream start with its first stored result.
_START_AT_FIRST: Final = """
UPDATE lab.streams s SET looked = coalesce(
    (SELECT min(k.sequence) - 1 FROM lab.keys k WHERE k.source = s.source AND k.stream = s.stream), s.announced)
WHERE s.looked = 0
"""
#: Adds the holes between new results to the gaps, and advances `looked`.
_ADD_HOLES: Final = """
WITH news AS (
    SELECT s.source, s.stream, k.sequence,
        lag(k.sequence, 1, s.looked) OVER (PARTITION BY s.source, s.stream ORDER BY k.sequence) AS before
    FROM lab.streams s CROSS JOIN LATERAL (
        SELECT sequence FROM lab.keys WHERE source = s.source AND stream = s.stream AND sequence > s.looked
        ORDER BY sequence LIMIT %s) k
), holes AS (
    INSERT INTO lab.gaps (source, stream, first, last)
    SELECT source, stream, before + 1, sequence - 1 FROM news WHERE sequence > before + 1
), tops AS (SELECT source, stream, max(sequence) AS top FROM news GROUP BY source, stream)
UPDATE lab.streams s SET looked = top FROM tops WHERE s.source = tops.source AND s.stream = tops.stream
"""
#: Adds announced results after the last stored one to the gaps.
_ADD_ANNOUNCED: Final = """
WITH ends AS (
    INSERT INTO lab.gaps (source, stream, first, last)
    SELECT source, stream, looked + 1, announced FROM lab.streams WHERE announced > looked
)
UPDATE lab.streams SET looked = announced WHERE announced > looked
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
    SELECT DISTINCT ON (g.source, g.stream) g.no, s.source, t.prefix, g.stream, g.first, g.last, g.next_ask
    FROM lab.gaps g JOIN lab.streams t ON t.source = g.source AND t.stream = g.stream
    JOIN lab.sources s ON s.no = g.source LEFT JOIN lab.daemons d ON d.prefix = t.prefix
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
#: Stores the last sequence number that a status has for each stream.
_ANNOUNCE: Final = """
INSERT INTO lab.streams (source, stream, prefix, announced)
SELECT s.no, n.stream, n.prefix, n.announced
FROM unnest(%s::text[], %s::text[], %s::text[], %s::bigint[]) AS n (source, stream, prefix, announced)
JOIN lab.sources s ON s.source = n.source
ORDER BY 1, 2
ON CONFLICT (source, stream) DO UPDATE SET announced = EXCLUDED.announced WHERE streams.announced < EXCLUDED.announced
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
    known = {
        str(stream): n
        for stream, n in sequences.items()
        if isinstance(n, int) and not isinstance(n, bool) and 0 < n < _MAX_SEQUENCE and "\x00" not in stream
    }
    return Status(topic.removesuffix("/status"), source, state, lenient_moment(status.get("time")), known, text)


async def store_statuses(db: AsyncConnection, statuses: Sequence[Status]) -> None:
    """Store statuses of daemons, at most one for each prefix."""
    if not statuses:
        return
    async with db.transaction():
        await number_sources(db, (s.source for s in statuses))
        columns = zip(*((s.prefix, s.source, s.state, s.time, s.text) for s in statuses), strict=True)
        await db.execute(_ADD_STATUSES, [list(c) for c in columns])
        rows = _last_sequences(statuses)
        if rows:
            await db.execute(_ANNOUNCE, [list(c) for c in zip(*rows, strict=True)])


def _last_sequences(statuses: Sequence[Status]) -> list[tuple[str, str, str, int]]:
    """Return source, stream, prefix and last sequence number, each stream once.

    After a change of its topics, a daemon has a second, old status with the same source and streams.  The higher number
    counts, and an online status before an offline one.
    """
    ends: dict[tuple[str, str], tuple[int, bool, str]] = {}
    for s in statuses:
        for stream, n in s.sequences.items():
            ends[s.source, stream] = max(
                ends.get((s.source, stream), (0, False, "")), (n, s.state == "online", s.prefix)
            )
    return [(source, stream, prefix, n) for (source, stream), (n, _, prefix) in ends.items()]


async def find_gaps(db: AsyncConnection, *, history: bool) -> None:
    """Add new gaps and remove filled ones; only one worker at a time may do this.

    Without `history`, a stream starts with its first stored result.
    """
    async with db.transaction():
        if not history:
            await db.execute(_START_AT_FIRST)
        await db.execute(_REMOVE_FILLED, (_MAX_NEW,))
        await db.execute(_ADD_HOLES, (_MAX_NEW,))
        await db.execute(_ADD_ANNOUNCED)


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
