"""Make the publisher of the daemon's file, and start and stop its task."""

import asyncio
import contextlib
import platform
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

import daq
from daq.adapters.clock import Clock
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import Topics
from daq.adapters.outbox.answers import NotGranted
from daq.adapters.outbox.publisher import Publisher
from daq.adapters.outbox.publisher_state import BrokerState, PublisherState
from daq.adapters.store.outgoing.delivery import SendAgain
from daq.adapters.store.store import Store
from daq.app.delivery.refill import Refill
from daq.app.setup.details import place_of
from daq.core.errors import StoreError
from daq.methods.files.daemon import Daemon
from daq.process.brokers import broker_settings

LAST_DELIVERY_S: Final = 5.0
"""Longest time in seconds that the shutdown waits for messages on their way to a connected broker."""


class Publishing:
    """Publishes to one broker."""

    def __init__(
        self, settings: MqttSettings, topics: Topics, *, flat: bool = False, live_every_ns: int | None = None
    ) -> None:
        """`flat`: also publish results without nesting.  `live_every_ns`: interval of live values; None: never."""
        self.settings = settings
        self.topics = topics
        self.flat = flat
        self.live_every_ns = live_every_ns
        self.schemas: Mapping[str, bytes] = {}
        """Payloads of the schema topics."""
        self.refill: Refill | None = None
        """Judges requests of consumers; counts those granted and refused."""
        self._publisher: Publisher | None = None
        self._store: Store | None = None
        self._task: asyncio.Task[None] | None = None

    @classmethod
    def from_settings(cls, daemon: Daemon) -> "Publishing | None":
        """Return the publisher of a daemon's file; None if it names no broker.

        Raises:
            SettingError: the password cannot be read from the place that the file names.
        """
        if daemon.mqtt is None:
            return None
        site = daemon.topic
        levels = {n: getattr(site, n) or "" for n in ("enterprise", "site", "area", "line", "cell")}
        settings = replace(
            broker_settings(daemon.mqtt, daemon.source), repeat_after_loss_s=daemon.mqtt.repeat_after_loss / 1e9
        )
        return cls(settings, Topics(**levels), flat=daemon.mqtt.flat, live_every_ns=daemon.mqtt.live_every)

    def start(
        self,
        store: Store,
        clock: Clock,
        bench: Callable[[], Mapping[str, Any]] = dict,
    ) -> "asyncio.Task[None]":
        """Start to connect and deliver; return the task.

        Args:
            store: holds the outbox.
            clock: gives the times of messages.
            bench: returns the facts of the bench by key, for the status.
        """
        self._store = store
        self.refill = Refill(store.uuid, store.epoch, clock.utc_ns, clock.mono_ns)
        self._publisher = Publisher(
            store,
            self.settings,
            clock,
            topics=self.topics,
            about={
                "versions": {"daq": daq.__version__, "python": platform.python_version()},
                "place": place_of(self.topics).model_dump(),
            },
            schemas=self.schemas,
            refill=self._judge,
            bench=bench,
        )
        self._task = asyncio.create_task(self._publisher.run(), name="publisher")
        return self._task

    def _judge(self, payload: bytes) -> SendAgain | NotGranted:
        if self.refill is None or self._store is None:
            return NotGranted("the daemon is starting")
        self.refill.epoch = self._store.epoch
        return self.refill(payload)

    async def stop(self) -> None:
        """Deliver what can be delivered and disconnect; undelivered messages stay in the outbox."""
        if self._publisher is not None and self._task is not None:
            await self._deliver_rest(self._publisher)
            self._publisher.stop()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _deliver_rest(self, publisher: Publisher) -> None:
        loop = asyncio.get_running_loop()
        end = loop.time() + LAST_DELIVERY_S
        publisher.wake()
        with contextlib.suppress(StoreError):
            while loop.time() < end:
                if not publisher.state.connected or not await asyncio.to_thread(self._anything_waits):
                    return
                await asyncio.sleep(0.02)

    def _anything_waits(self) -> bool:
        if self._store is None:
            return False
        with self._store.reader() as reader:
            return reader.outbox_depth().waiting > 0

    def publish_live(self, instrument: str, payload: bytes) -> bool:
        """Send a newest reading at most once; return False if it was dropped."""
        return self._publisher is not None and self._publisher.publish_live(instrument, payload)

    def wake(self) -> None:
        """Look for new messages in the outbox; called after a commit."""
        if self._publisher is not None:
            self._publisher.wake()

    @property
    def state(self) -> PublisherState | None:
        """State of the publisher; None before it was started."""
        return self._publisher.state if self._publisher is not None else None

    @property
    def progress(self) -> int:
        """Counter that grows at least every second while the publisher works."""
        return self._publisher.state.turns if self._publisher is not None else 0

    @property
    def standing(self) -> BrokerState:
        """Connection, protocol and trouble, for screens."""
        return BrokerState(trouble="not started") if self._publisher is None else self._publisher.state.broker_state
