"""Connection of the collector to the broker, with acknowledgement on demand, after the commit.

A worker's session outlives its connection, so the broker sends a restarted worker all messages it had not acknowledged.
The receive maximum limits the number of messages sent ahead, and so the memory.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import aiomqtt
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daq.adapters.mqtt.client import (
    BrokerClient,
    BrokerDownError,
    RefusedError,
    close_client,
    connection_error,
    open_client,
)
from daq.adapters.mqtt.connection import REFUSED_FROM
from daq.adapters.mqtt.settings import MqttSettings, tls_context

LARGEST: Final = 4 * 2**20
"""Largest packet (bytes) that the broker may send, so that no message can fill the memory; those of daq are smaller."""
LIVE_MOST: Final = 2_000
"""Maximum number of live messages that wait here; more are dropped, because the broker does not hold them back."""
NO_SESSION: Final = 0
"""Session expiry (s) with which the broker forgets a session at the end of the connection."""


@dataclass(frozen=True, slots=True)
class ReceivedMessage:
    """A received message.

    Attributes:
        mid: identifier for the acknowledgement; 0 where none is needed (QoS 0).
    """

    topic: str
    payload: bytes
    mid: int


class ManualAckClient(BrokerClient):
    """A client for one connection that acknowledges messages only on `acknowledge`."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._client.manual_ack_set(True)
        self._inbox: deque[ReceivedMessage] = deque()
        self._live = 0
        self._news = asyncio.Event()
        self._dropped = 0

    @property
    def waiting(self) -> int:
        """Number of messages received and not yet taken."""
        return len(self._inbox)

    def forget_dropped(self) -> int:
        """Return the number of live messages dropped since the last call, because the worker was too slow."""
        dropped, self._dropped = self._dropped, 0
        return dropped

    async def take(self, most: int, stop: asyncio.Event) -> list[ReceivedMessage]:
        """Wait for a message and return up to `most` waiting ones; return none when `stop` is set.

        Raises:
            BrokerDownError: the connection was lost; the broker will send its unacknowledged messages again.
        """
        stopping = asyncio.ensure_future(stop.wait())
        try:
            while not self._inbox and not stop.is_set():
                self._news.clear()
                waiting = asyncio.ensure_future(self._news.wait())
                await asyncio.wait((waiting, stopping, self.lost), return_when=asyncio.FIRST_COMPLETED)
                waiting.cancel()
                if self.lost.done():
                    raise BrokerDownError(self.lost.result())
        finally:
            stopping.cancel()
        if stop.is_set():
            return []
        batch = [self._inbox.popleft() for _ in range(min(most, len(self._inbox)))]
        self._live -= sum(m.mid == 0 for m in batch)
        return batch

    def acknowledge(self, batch: Sequence[ReceivedMessage]) -> None:
        """Acknowledge messages in the order of arrival; does nothing over a lost connection."""
        if self.lost.done():
            return
        for message in batch:
            if message.mid:
                self._client.ack(message.mid, 1)

    async def listen(self, filters: Sequence[str]) -> None:
        """Subscribe to topic filters with QoS 1.

        Raises:
            RefusedError: the broker does not allow one of them.
            BrokerDownError: no answer arrived.
        """
        options = SubscribeOptions(qos=1)
        try:
            codes = await self.subscribe([(f, options) for f in filters])
        except (aiomqtt.MqttError, ValueError) as error:
            raise BrokerDownError(f"the subscription got no answer: {error}") from error
        values = [code.value if isinstance(code, ReasonCode) else code for code in codes]
        for asked, value in zip(filters, values, strict=False):
            if value >= REFUSED_FROM:
                raise RefusedError(
                    f"the broker refuses the subscription to {asked} (code {value}); check its access rules"
                )

    async def leave_for_good(self) -> None:
        """Disconnect and let the broker delete this client's session."""
        properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        properties.SessionExpiryInterval = NO_SESSION
        self._client.disconnect(properties=properties)
        await asyncio.wait([self.lost], timeout=self.timeout)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:  # noqa: ARG002 - paho's call
        live = message.qos == 0
        if live and self._live >= LIVE_MOST:
            self._dropped += 1
            return
        self._live += live
        self._inbox.append(ReceivedMessage(message.topic, bytes(message.payload), 0 if live else message.mid))
        self._news.set()


@contextlib.asynccontextmanager
async def worker_session(
    settings: MqttSettings, client_id: str, *, window: int, session_s: int = NO_SESSION
) -> AsyncIterator[ManualAckClient]:
    """Connect with MQTT 5; the connection is closed at the end of the context.

    Args:
        settings: address and credentials.
        client_id: the same for each connection of a worker, so that the broker finds its session.
        window: maximum number of messages the broker sends without acknowledgement.
        session_s: time (s) for which the broker keeps the session after the connection.

    Raises:
        BrokerDownError: no broker answers.
        RefusedError: the broker refuses the connection; the text has the reason.
        SettingError: a certificate file is wrong.
    """
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    properties.SessionExpiryInterval = session_s
    properties.ReceiveMaximum = window
    properties.MaximumPacketSize = LARGEST
    client = ManualAckClient(
        settings.host,
        settings.real_port,
        identifier=client_id,
        username=settings.user or None,
        password=settings.password or None,
        protocol=aiomqtt.ProtocolVersion.V5,
        clean_start=session_s == NO_SESSION,
        keepalive=settings.keepalive_s,
        timeout=settings.timeout_s,
        tls_context=tls_context(settings),
        properties=properties,
    )
    try:
        await open_client(client)
    except aiomqtt.MqttError as error:
        found = connection_error(error, settings)
        raise type(found)(f"{found}, and that it supports MQTT 5") from error
    try:
        yield client
    finally:
        await close_client(client)
