"""Tells the world about the bench over a connection: birth with schemas, changes of status, farewell, and the will."""

import contextlib
from collections.abc import Callable, Mapping
from typing import Protocol

import structlog

from daq.adapters.mqtt.client import RefusedError
from daq.adapters.mqtt.connection import Connection, Version, Will
from daq.adapters.outbox.flight import in_thread
from daq.adapters.outbox.standing import Troubles
from daq.adapters.outbox.status import Status
from daq.adapters.store.outbox_reading import last_sequences
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.core.errors import DaqError


class Clock(Protocol):
    """What the publisher needs of a clock."""

    def utc_ns(self) -> int:
        """UTC now, ns since 1970."""


class Herald:
    """Publishes what `Status` says.

    Attributes:
        instruments: gives the state of each instrument by name; asked whenever a status may go out.
    """

    def __init__(
        self, status: Status, store: Store, clock: Clock, troubles: Troubles, schemas: Mapping[str, bytes]
    ) -> None:
        """`schemas`: payload of each schema topic, published retained with each birth."""
        self.instruments: Callable[[], Mapping[str, str]] = dict
        self._status, self._store, self._clock, self._troubles = status, store, clock, troubles
        self._schemas = dict(schemas)

    async def wills(self, reader: Reader) -> dict[Version, Will]:
        """What the broker publishes when it loses us; looks at what there is to tell."""
        await self._look(reader)
        return self._status.wills(self._clock.utc_ns())

    async def greet(self, connection: Connection) -> None:
        """Birth: status and schemas.  What the broker refuses of it is a trouble and no reason to leave.

        Raises:
            BrokerDownError: the connection was lost.
        """
        await self._publish(connection)
        for topic, payload in self._schemas.items():
            with contextlib.suppress(RefusedError):
                await connection.publish(topic, payload, retain=True)

    async def tell(self, connection: Connection, reader: Reader) -> None:
        """Status again, where it changed.

        Raises:
            BrokerDownError: the connection was lost.
        """
        await self._look(reader)
        if self._status.changed(connection.version):
            await self._publish(connection)

    async def farewell(self, connection: Connection, reader: Reader) -> bool:
        """Say that we stop, and what was last; whether it was heard."""
        try:
            await self._look(reader)
            payload = self._status.payload("offline", connection.version, self._clock.utc_ns(), reason="stopped")
            await connection.publish(self._status.topic, payload, retain=True)
        except DaqError as error:
            structlog.get_logger().warning("no farewell to the broker", reason=str(error))
            return False
        return True

    async def _look(self, reader: Reader) -> None:
        self._status.sequences = await in_thread(last_sequences, reader, self._store.epoch)
        self._status.instruments = dict(self.instruments())

    async def _publish(self, connection: Connection) -> None:
        payload = self._status.payload("online", connection.version, self._clock.utc_ns())
        try:
            await connection.publish(self._status.topic, payload, retain=True)
        except RefusedError as error:
            self._troubles.note("status", f"the broker refused our status: {error}; check its access rules")
        else:
            self._troubles.note("status", "")
