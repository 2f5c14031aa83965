"""Taking messages from the broker: nothing is acknowledged before it is committed.

A worker's session outlives its connection, so what a killed worker had not acknowledged comes to it again.  The receive
maximum bounds what the broker sends ahead, and so the memory.
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
"""Bytes of a packet: none of ours comes near, and one of a stranger cannot fill the memory."""
LIVE_MOST: Final = 2_000
"""So many live messages may wait here; more are dropped, for the broker does not wait with them."""
NO_SESSION: Final = 0


@dataclass(frozen=True, slots=True)
class ReceivedMessage:
    """A message as it came; `mid` is 0 where nobody waits for an acknowledgement."""

    topic: str
    payload: bytes
    mid: int


class ManualAckClient(BrokerClient):
    """A client for one connection that acknowledges when it is told to."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._client.manual_ack_set(True)
        self._inbox: deque[ReceivedMessage] = deque()
        self._live = 0
        self._news = asyncio.Event()
        self._dropped = 0

    @property
    def waiting(self) -> int:
        """Messages that came and were not taken yet."""
        return len(self._inbox)

    def forget_dropped(self) -> int:
        """Live messages that were dropped since the last call, because nobody kept up with them."""
        dropped, self._dropped = self._dropped, 0
        return dropped

    async def take(self, most: int, stop: asyncio.Event) -> list[ReceivedMessage]:
        """Up to `most` messages as soon as there is one; none when `stop` is set.

        Raises:
            BrokerDownError: the connection was lost; what came over it will come again.
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
        """Tell the broker, in the order in which they came; over a lost connection nothing happens."""
        if self.lost.done():
            return
        for message in batch:
            if message.mid:
                self._client.ack(message.mid, 1)

    async def listen(self, filters: Sequence[str]) -> None:
        """Subscribe with QoS 1.

        Raises:
            RefusedError: the broker does not allow one of them.
            BrokerDownError: no answer.
        """
        options = SubscribeOptions(qos=1)
        try:
            codes = await self.subscribe([(f, options) for f in filters])
        except (aiomqtt.MqttError, ValueError) as error:
            raise BrokerDownError(f"the subscription got no answer: {error}") from error
        values = [code.value if isinstance(code, ReasonCode) else code for code in codes]
        for asked, value in zip(filters, values, strict=False):
            if value >= REFUSED_FROM:
                raise RefusedError(f"the broker does not let us read {asked} (code {value}); check its access rules")

    async def leave_for_good(self) -> None:
        """Let the broker forget this client's session."""
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
    """An open connection, MQTT 5.

    Args:
        settings: where and how.
        client_id: the same each time, so that the broker finds the session again.
        window: at most so many messages are sent to us unacknowledged.
        session_s: how long the broker keeps the session after the connection, s.

    Raises:
        BrokerDownError: nobody answers there.
        RefusedError: the broker does not let us in; the text says why.
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
        raise type(found)(f"{found}, and that it speaks MQTT 5") from error
    try:
        yield client
    finally:
        await close_client(client)
