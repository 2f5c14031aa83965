"""Status of the bench at the broker: birth with schemas, changes, the offline message, and the will."""

import contextlib
import copy
from collections.abc import Callable, Mapping
from typing import Any

import structlog

from daq.adapters.clock import TimeSource
from daq.adapters.mqtt.client import RefusedError
from daq.adapters.mqtt.connection import Connection, Will
from daq.adapters.mqtt.versions import Version
from daq.adapters.outbox.flight import in_thread
from daq.adapters.outbox.publisher_state import Troubles
from daq.adapters.outbox.status import Status
from daq.adapters.store.outgoing.outbox_reading import last_sequences
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.core.errors import DaqError


class StatusPublisher:
    """Publishes the messages that `Status` builds.

    Attributes:
        bench: returns the facts of the bench for the status, by key; called before each status message.
    """

    def __init__(
        self, status: Status, store: Store, clock: TimeSource, troubles: Troubles, schemas: Mapping[str, bytes]
    ) -> None:
        """Make a status publisher; `schemas` has the payload of each schema topic, retained, sent with each birth."""
        self.bench: Callable[[], Mapping[str, Any]] = dict
        self._status, self._store, self._clock, self._troubles = status, store, clock, troubles
        self._schemas = dict(schemas)

    async def wills(self, reader: Reader) -> dict[Version, Will]:
        """Return, by protocol version, the will: the message that the broker publishes when the connection is lost."""
        await self._refresh(reader)
        return self._status.wills(self._clock.utc_ns())

    async def publish_birth(self, connection: Connection) -> None:
        """Publish status and schemas.  A refusal is noted as a trouble and does not end the connection.

        Raises:
            BrokerDownError: the connection was lost.
        """
        await self._publish(connection)
        for topic, payload in self._schemas.items():
            with contextlib.suppress(RefusedError):
                await connection.publish(topic, payload, retain=True)

    async def publish_changes(self, connection: Connection, reader: Reader) -> None:
        """Publish the status where it has changed.

        Raises:
            BrokerDownError: the connection was lost.
        """
        await self._refresh(reader)
        if self._status.changed(connection.version):
            await self._publish(connection)

    async def publish_now(self, connection: Connection, reader: Reader) -> None:
        """Publish the status because the broker shows another one.

        Raises:
            BrokerDownError: the connection was lost.
        """
        await self._refresh(reader)
        await self._publish(connection)

    async def publish_offline(self, connection: Connection, reader: Reader) -> bool:
        """Publish that the daemon stops; return whether the broker acknowledged it."""
        try:
            await self._refresh(reader)
            payload = self._status.payload("offline", connection.version, self._clock.utc_ns(), reason="stopped")
            await connection.publish(self._status.topic, payload, retain=True)
        except DaqError as error:
            structlog.get_logger().warning("the offline status could not be published", reason=str(error))
            return False
        return True

    async def _refresh(self, reader: Reader) -> None:
        self._status.sequences = await in_thread(last_sequences, reader, self._store.epoch)
        # A copy: the owner may change what it returned, and that must count as a change.
        self._status.bench = copy.deepcopy(dict(self.bench()))
        self._status.source, self._status.epoch = self._store.source, self._store.epoch

    async def _publish(self, connection: Connection) -> None:
        payload = self._status.payload("online", connection.version, self._clock.utc_ns())
        try:
            await connection.publish(self._status.topic, payload, retain=True)
        except RefusedError as error:
            self._troubles.note(
                "status", f"the broker refused the status of this bench: {error}; check its access rules"
            )
        else:
            self._troubles.note("status", "")
