"""Announcement of the highest stored result of each stream, under the prefix of its daemon.

A daemon whose database was put back from an older copy lacks results that are stored here.  It compares its database
with these retained messages before it publishes anything, and with each that arrives later
(`daq.adapters.outbox.put_back`), and starts a new epoch.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from psycopg import AsyncConnection

from daq.methods.messages.statusdata import CollectedData

EVERY_S: Final = 10.0
"""Shortest time (s) between two readings of the highest results."""
MOST_MESSAGES: Final = 500
"""Largest number of messages of one turn; the others follow in the next turns."""

#: Selects the highest result of each stream in its newest epoch.  Two databases may have used one prefix one after the
#: other: the one of the daemon's present status counts, then the one that was seen last.
_HIGHEST: Final = """
SELECT DISTINCT ON (b.prefix, t.stream) b.prefix, s.source, s.epoch, t.stream, k.sequence, k.id::text
FROM lab.streams t JOIN lab.sources s ON s.no = t.source JOIN lab.databases b ON b.database = s.database
LEFT JOIN lab.daemons d ON d.prefix = b.prefix
CROSS JOIN LATERAL (
    SELECT sequence, id FROM lab.keys WHERE source = t.source AND stream = t.stream AND sequence IS NOT NULL
    ORDER BY sequence DESC LIMIT 1) k
ORDER BY b.prefix, t.stream, (split_part(d.source, '#', 1) = 'urn:uuid:' || s.database) DESC NULLS LAST,
    b.bound DESC, s.epoch DESC
"""


@dataclass(frozen=True, slots=True)
class Announcement:
    """One message: `payload` for the retained `topic`."""

    topic: str
    payload: bytes


async def highest(db: AsyncConnection) -> list[Announcement]:
    """Return the message of each stream that has a stored result, in the order of topics."""
    found = await (await db.execute(_HIGHEST)).fetchall()
    return [
        Announcement(
            f"{prefix}/collected/{stream}",
            CollectedData(source=source, epoch=epoch, stream=stream, sequence=sequence, id=id_)
            .model_dump_json()
            .encode(),
        )
        for prefix, source, epoch, stream, sequence, id_ in found
    ]


class Announcer:
    """Publication of the messages that changed since they were accepted by the broker."""

    def __init__(self) -> None:
        self._accepted: dict[str, bytes] = {}
        self._next_s = 0.0

    def forget(self) -> None:
        """Send every message again: the broker of a new connection may have lost them."""
        self._accepted.clear()
        self._next_s = 0.0

    async def announce(
        self, db: AsyncConnection, now_s: float, send: Callable[[Announcement, Callable[[int], None]], bool]
    ) -> int:
        """Publish what has changed, at most `MOST_MESSAGES`; return the number of messages.

        Args:
            db: connection in autocommit mode.
            now_s: monotonic time, s.
            send: publishes a message and calls the function with the reason code of the broker's answer; returns False
                without a connection.
        """
        if now_s < self._next_s:
            return 0
        self._next_s = now_s + EVERY_S
        changed = [a for a in await highest(db) if self._accepted.get(a.topic) != a.payload]
        for count, message in enumerate(changed[:MOST_MESSAGES]):
            if not send(message, _Accept(self._accepted, message)):
                return count
        return min(len(changed), MOST_MESSAGES)

    @property
    def accepted(self) -> Mapping[str, bytes]:
        """The payloads that the broker has accepted, by topic."""
        return self._accepted


@dataclass(frozen=True, slots=True)
class _Accept:
    """Note of a message that the broker has accepted."""

    accepted: dict[str, bytes]
    message: Announcement

    def __call__(self, code: int) -> None:
        if 0 <= code < 0x80:
            self.accepted[self.message.topic] = self.message.payload
