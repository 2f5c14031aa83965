"""Messages that were changed in the database after they were stored: they are not sent."""

from collections.abc import Sequence
from typing import Any

from daq.adapters.clock import TimeSource
from daq.adapters.outbox.flight import in_thread
from daq.adapters.outbox.publisher_state import PublisherState
from daq.adapters.store.outgoing.delivery import MarkChanged
from daq.adapters.store.outgoing.sealed import changed
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import Message
from daq.adapters.store.store import Store
from daq.core.errors import StoreError


class ChangedMessages:
    """Comparison of each message with the audit trail, between its reading from the outbox and its sending.

    The bytes that are compared are those that are sent: the message is not read a second time.
    """

    def __init__(self, store: Store, clock: TimeSource, state: PublisherState, log: Any) -> None:
        """`state` gets the number of messages that were not sent; `log` gets a line for each."""
        self._store, self._clock, self._state, self._log = store, clock, state, log
        self._named: set[int] = set()
        """Numbers of messages that are in the log and not yet marked in the store."""

    async def without(self, reader: Reader, messages: Sequence[Message]) -> list[Message]:
        """Return the messages that agree with the audit trail, in order.  The others are marked, counted and logged.

        Raises:
            StoreError: the audit trail cannot be read.
        """
        wrong = {m.seq: m for m in await in_thread(changed, messages, reader.rows)}
        if not wrong:
            return list(messages)
        for seq, message in wrong.items():
            if seq not in self._named:
                self._state.changed += 1
                self._log.error(
                    "a message was changed in the database after it was stored; it is not sent: run `daq verify`",
                    number=seq,
                    topic=message.topic,
                    id=message.id,
                    result=message.result,
                )
        self._named |= wrong.keys()
        try:
            await self._store.commit(MarkChanged(tuple(wrong), self._clock.utc_ns()))
        except StoreError as error:
            # It is not sent, and the next reading finds it again.
            self._log.error("the mark of changed messages cannot be stored", reason=str(error))
        else:
            self._named -= wrong.keys()
        return [m for m in messages if m.seq not in wrong]
