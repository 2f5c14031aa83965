"""Messages between the outbox and the broker: read and not sent, in flight, and answered and not yet marked."""

from collections import deque
from collections.abc import Iterable
from typing import Final

from daq.adapters.clock import TimeSource
from daq.adapters.outbox.changed import ChangedMessages
from daq.adapters.outbox.flight import in_thread
from daq.adapters.outbox.publisher_state import Troubles
from daq.adapters.store.outgoing.delivery import Acknowledge
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import Message
from daq.adapters.store.store import Store
from daq.core.errors import StoreError

BATCH: Final = 1000
"""Maximum number of messages read from the store at once."""
READ_BELOW: Final = 200
"""Number of ready messages below which the next ones are read."""


class Backlog:
    """The messages of one publisher.

    Attributes:
        ready: messages read and not yet sent.
        held: numbers of messages ready, in flight, or answered and not yet marked in the store.
        owed: numbers of messages acknowledged by the broker and not yet marked in the store.
        news: True while the store may have waiting messages that were not read.
    """

    def __init__(self, store: Store, clock: TimeSource, changed: ChangedMessages, troubles: Troubles) -> None:
        self._store, self._clock, self._changed, self._troubles = store, clock, changed, troubles
        self.ready: deque[Message] = deque()
        self.held: set[int] = set()
        self.owed: set[int] = set()
        self.news = True
        self._marked_meanwhile: set[int] = set()

    @property
    def wants_more(self) -> bool:
        """True if the next messages have to be read now."""
        return self.news and len(self.ready) < READ_BELOW

    async def read(self, reader: Reader) -> None:
        """Read the next messages that agree with the audit trail.

        Raises:
            StoreError: the outbox or the audit trail cannot be read.
        """
        self.news = False
        self._marked_meanwhile.clear()
        limit = BATCH + len(self.held)
        found = await in_thread(reader.waiting, limit=limit)
        # Messages marked during the read may still be in the answer.
        known = self.held | self._marked_meanwhile
        fresh = await self._changed.without(reader, [m for m in found if m.seq not in known])
        self.ready.extend(fresh)
        self.held.update(m.seq for m in fresh)
        self.news |= len(found) == limit

    def taken(self, messages: Iterable[Message]) -> None:
        """Note messages that the broker has acknowledged; `mark` stores it."""
        self.owed.update(m.seq for m in messages)

    async def mark(self) -> bool:
        """Mark the acknowledged messages in the store; return False where the store cannot be written."""
        if not self.owed:
            return True
        seqs = tuple(sorted(self.owed))
        try:
            await self._store.commit(Acknowledge(seqs, self._clock.utc_ns()))
        except StoreError as error:
            # The messages are delivered.  Their marks are written when the store works again; they stay held, so none
            # is sent twice until then.
            self._troubles.note("store", f"acknowledgements cannot be stored: {error}")
            return False
        self._troubles.note("store", "")
        self.owed.difference_update(seqs)
        self.held.difference_update(seqs)
        self._marked_meanwhile.update(seqs)
        return True

    def drop_unsent(self) -> None:
        """Drop the messages without acknowledgement from memory; they are read again."""
        self.ready.clear()
        self.held = set(self.owed)

    def drop(self) -> None:
        """Drop everything: the numbers in memory may be those of other messages than in the database."""
        self.owed.clear()
        self.drop_unsent()
