"""The beginning of a connection: the broker's MQTT version, and the comparison of the broker with the database.

Nothing is published before it.  The comparison goes on during the connection, with each message about stored results.
"""

import structlog

from daq.adapters.clock import TimeSource
from daq.adapters.mqtt.connection import Connection
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import Topics
from daq.adapters.mqtt.versions import SpokenVersion
from daq.adapters.outbox.broker_versions import BrokerVersions
from daq.adapters.outbox.publisher_state import PublisherState
from daq.adapters.outbox.put_back import Comparison, PutBack
from daq.adapters.store.epochs import StartEpoch
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.core.errors import DaqError


class EpochStartedError(DaqError):
    """A new epoch was started, so the connection is made again under the new identity."""


class Greeting:
    """The work of a publisher on each new connection, before the first message; and the comparison that goes on.

    Attributes:
        spoken: version of MQTT that the broker is known to speak.
    """

    def __init__(
        self, store: Store, settings: MqttSettings, topics: Topics, clock: TimeSource, state: PublisherState
    ) -> None:
        self._store, self._settings, self._clock, self._state = store, settings, clock, state
        self._comparison = Comparison(store, topics)
        self._versions = BrokerVersions(store.path.parent)
        self.spoken: SpokenVersion = self._versions.spoken(settings.place)
        self._log = structlog.get_logger().bind(part="publisher", broker=settings.place)

    def arrived(self, topic: str, payload: bytes, *, retained: bool) -> bool:
        """Take a message; return False where it is none of the comparison."""
        return self._comparison.arrived(topic, payload, retained=retained)

    @property
    def has_news(self) -> bool:
        """True if messages about stored results wait to be compared."""
        return self._comparison.has_news

    async def greet(self, connection: Connection, reader: Reader) -> None:
        """Note the version of MQTT, and start a new epoch where the broker shows that the database was put back.

        Raises:
            EpochStartedError: a new epoch was started.
            BrokerDownError: the connection was lost.
            StoreError: the database cannot be read, or the new epoch cannot be stored.
        """
        self._note_version(connection)
        await self._start_epoch(await self._comparison.check(connection, reader))

    async def compare(self, reader: Reader) -> None:
        """Compare the messages about stored results that arrived since, and start a new epoch as `greet` does.

        Raises:
            EpochStartedError: a new epoch was started.
            StoreError: the database cannot be read, or the new epoch cannot be stored; the next call compares again.
        """
        await self._comparison.compare_news(reader, self._start_epoch)

    async def _start_epoch(self, put_back: PutBack | None) -> None:
        if put_back is None:
            return
        utc_ns = self._clock.utc_ns()
        started = await self._store.commit(StartEpoch(reason=put_back.reason, least=put_back.least, utc_ns=utc_ns))
        self._log.error(
            "the database was put back; new results get numbers of a new epoch",
            reason=put_back.reason,
            epoch=started.epoch,
            waiting_with_old_numbers=started.waiting,
        )
        raise EpochStartedError(put_back.reason)

    def _note_version(self, connection: Connection) -> None:
        if self._settings.protocol != "auto":
            return
        place = self._settings.place
        is_new = self._versions.note(place, self.spoken, self._clock.utc_ns())
        fallback = self._versions.fallback(place)
        self._state.fallback = "" if fallback is None else str(fallback)
        if is_new and fallback is not None:
            self._log.warning("the broker does not support MQTT 5", reason=fallback.reason, used=connection.version)
