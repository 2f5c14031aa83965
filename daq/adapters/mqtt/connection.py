"""One connection to a broker, with every refusal and every loss reported.

aiomqtt returns normally from a publish that the broker refused.  It waits a whole time-out for acknowledgements that
can no longer arrive.  It does not notice a broker that closes the connection before it answers.  `Connection` reads
the reason codes itself and ends every wait when the connection is lost.
"""

import asyncio
import contextlib
import json
import math
import ssl
from collections.abc import AsyncIterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daq.adapters.mqtt.client import (
    LOST,
    AnswerCallback,
    ArrivalCallback,
    BrokerClient,
    BrokerDownError,
    RefusedError,
    close_client,
    connection_error,
    ignore_answer,
    open_client,
)
from daq.adapters.mqtt.settings import MqttSettings, tls_context
from daq.adapters.mqtt.versions import SpokenVersion, Version, choose

WINDOW: Final = 10
"""Maximum number of messages sent and not yet acknowledged."""
REFUSED_FROM: Final = 0x80
"""Smallest reason code that is a refusal (MQTT 5, section 2.4)."""
TOO_LARGE: Final = 0x95
FOR_GOOD: Final = frozenset({0x90, TOO_LARGE, 0x99})
"""Reason codes that refuse the message itself: topic name invalid, packet too large, payload format invalid.

All other codes (not authorised, quota exceeded, unspecified) depend on the broker's rules and state, which can change.
"""
OVERHEAD: Final = 64
"""Largest size (bytes) of a packet beside topic and payload: header, packet identifier, properties of daq."""
LIVE_BACKLOG: Final = 200
"""Number of packets waiting for the network above which live messages are dropped."""
INCOMING: Final = 1000
"""Maximum number of received messages that wait to be read; more are discarded, so that a flood costs no memory."""


@dataclass(frozen=True, slots=True)
class Will:
    """The message that the broker publishes when the connection ends without DISCONNECT."""

    topic: str
    payload: bytes
    retain: bool = True


@dataclass(frozen=True, slots=True)
class Received:
    """A message from the broker.  `retain`: it was retained there and is sent because of a new subscription."""

    topic: str
    payload: bytes
    retain: bool


class Connection:
    """An open connection, made by `connect`.

    Attributes:
        timeout_s: longest wait for an answer, s.
        session_present: the broker has kept a session of this client.
        version: version of the protocol.
        window: maximum number of messages sent and not yet acknowledged.
        largest: largest packet (bytes) the broker accepts; 0 where it states none.
    """

    def __init__(self, client: BrokerClient, version: Version, timeout_s: float) -> None:
        self._client = client
        self.timeout_s = timeout_s
        self.session_present = client.session_present
        self.version: Version = version
        self.window = min(WINDOW, client.limits.get("ReceiveMaximum", WINDOW))
        self.largest = client.limits.get("MaximumPacketSize", 0)

    @property
    def lost(self) -> "asyncio.Future[str]":
        """A future that is done, with the reason, when the connection has ended."""
        return self._client.lost

    async def publish(
        self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False, properties: str = "{}"
    ) -> None:
        """Send a message and wait for the broker's answer.

        Raises:
            RefusedError: the broker refused the message; the text has the reason's name and code.
            BrokerDownError: the connection was lost, or no answer arrived within `timeout_s`; the message may or may
                not have arrived.
        """
        answer = asyncio.get_running_loop().create_future()

        def answered(code: int) -> None:
            if not answer.done():
                answer.set_result(code)

        self.start(topic, payload, answered, qos=qos, retain=retain, properties=properties)
        if qos == 0:
            return
        try:
            # Not wait_for: in Python 3.11 it swallows a cancellation that comes together with the answer.
            async with asyncio.timeout(self.timeout_s):
                code = await answer
        except TimeoutError:
            raise BrokerDownError(f"no acknowledgement within {self.timeout_s:g} s") from None
        if code == LOST:
            raise BrokerDownError(self.lost.result())
        if code >= REFUSED_FROM:
            raise refusal(code)

    def start(
        self,
        topic: str,
        payload: bytes,
        answered: AnswerCallback,
        *,
        qos: int = 1,
        retain: bool = False,
        properties: str = "{}",
    ) -> None:
        """Send a message; `answered` is called with the reason code of the answer or with `LOST`; with QoS 0, never.

        Raises:
            RefusedError: the message is larger than the broker's Maximum Packet Size.
            BrokerDownError: the connection has ended.
        """
        if self.largest and len(payload) + len(topic.encode()) + OVERHEAD > self.largest:
            text = f"larger than the broker accepts ({len(payload)} of at most {self.largest} bytes)"
            raise RefusedError(text, for_good=True)
        described = _properties(properties) if self.version == "5" else None
        self._client.start_publish(topic, payload, qos, retain, described, answered)

    def on_arrival(self, take: ArrivalCallback) -> None:
        """Pass each message to `take` as it arrives; `receive` returns none from then on."""
        self._client.on_arrival = take

    async def subscribe(self, topic: str, *, qos: int = 1) -> None:
        """Subscribe to a topic; its messages are returned by `receive`.

        Raises:
            RefusedError: the broker does not allow the subscription.
            BrokerDownError: the connection was lost, or no answer arrived within `timeout_s`.
        """
        try:
            # The library's time limit is wait_for (see `publish`), so it gets none.
            async with asyncio.timeout(self.timeout_s):
                codes = await self._client.subscribe(topic, qos, timeout=math.inf)
        except TimeoutError:
            raise BrokerDownError(f"no answer to a subscription within {self.timeout_s:g} s") from None
        except aiomqtt.MqttError as error:
            raise BrokerDownError(f"no answer to a subscription: {error}") from error
        for code in codes:
            value = code.value if isinstance(code, ReasonCode) else code
            if value >= REFUSED_FROM:
                raise RefusedError(
                    f"the broker refuses the subscription to {topic} (code {value}); check its access rules"
                )

    async def unsubscribe(self, topic: str) -> None:
        """End a subscription; on return, all messages that the broker sent before its answer have been read.

        Raises:
            BrokerDownError: the connection was lost, or no answer arrived within `timeout_s`.
        """
        try:
            async with asyncio.timeout(self.timeout_s):
                await self._client.unsubscribe(topic, timeout=math.inf)
        except TimeoutError:
            raise BrokerDownError(f"no answer from the broker within {self.timeout_s:g} s") from None
        except aiomqtt.MqttError as error:
            raise BrokerDownError(f"no answer from the broker: {error}") from error

    async def receive(self) -> Received:
        """Return the next message of the subscriptions.

        Raises:
            BrokerDownError: the connection was lost.
        """
        try:
            message = await anext(self._client.messages)
        except aiomqtt.MqttError as error:
            raise BrokerDownError(str(error)) from error
        payload = message.payload
        return Received(message.topic.value, payload if isinstance(payload, bytes) else b"", message.retain)

    def hang_up(self) -> None:
        """End the connection without DISCONNECT, so that the broker publishes the will."""
        self._client.hang_up()

    def leave_with_will(self) -> None:
        """Send DISCONNECT so that the broker publishes the will too (MQTT 5); with MQTT 3.1.1 do nothing."""
        if self.version == "5" and not self.lost.done():
            self._client.disconnect_with_will()

    async def round_trip(self) -> None:
        """Wait until the broker has handled everything sent so far, messages of QoS 0 included.

        The broker answers the packets of a connection in order.  It must answer an UNSUBSCRIBE also where there is no
        such subscription (MQTT 5, section 3.11.4; MQTT 3.1.1, section 3.11).

        Raises:
            BrokerDownError: the connection was lost, or no answer arrived within `timeout_s`.
        """
        await self.unsubscribe("round-trip")

    def publish_live(self, topic: str, payload: bytes, *, properties: str = "{}") -> bool:
        """Send a message at most once; return False where it is dropped because the network is too slow."""
        if self.lost.done() or self._client.backlog > LIVE_BACKLOG:
            return False
        with contextlib.suppress(BrokerDownError):
            described = _properties(properties) if self.version == "5" else None
            self._client.start_publish(topic, payload, 0, False, described, ignore_answer)
            return True
        return False


@contextlib.asynccontextmanager
async def connect(
    settings: MqttSettings,
    client_id: str,
    will: "dict[Version, Will]",
    *,
    session_s: int = 0,
    spoken: SpokenVersion | None = None,
) -> AsyncIterator[Connection]:
    """Connect with MQTT 5, or with 3.1.1 where broker or settings demand it; disconnect at the end of the context.

    Args:
        settings: address and credentials.
        client_id: client id where the settings have none.
        will: the will by protocol version.
        session_s: time (s) for which the broker keeps the session after the connection; 0 for none.  MQTT 3.1.1 has no
            time, only a session or none.
        spoken: version that this broker is known to speak; it is updated.  See `daq.adapters.mqtt.versions`.

    Raises:
        BrokerDownError: no broker answers.
        RefusedError: the broker refuses the connection; the text has the reason.
        SettingError: a certificate file is wrong.
    """
    context = tls_context(settings)

    async def attempt(version: Version) -> BrokerClient:
        client = _make_client(settings, client_id, version, will[version], context, session_s)
        await open_client(client)
        return client

    try:
        if settings.protocol == "auto":
            client, version = await choose(attempt, close_client, SpokenVersion() if spoken is None else spoken)
        else:
            version = settings.protocol
            client = await attempt(version)
    except aiomqtt.MqttError as error:
        raise connection_error(error, settings) from error
    try:
        yield Connection(client, version, settings.timeout_s)
    finally:
        await close_client(client)


def _make_client(
    settings: MqttSettings,
    client_id: str,
    version: Version,
    will: Will,
    context: ssl.SSLContext | None,
    session_s: int,
) -> BrokerClient:
    five = version == "5"
    properties = None
    if five and session_s:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        properties.SessionExpiryInterval = session_s
    return BrokerClient(
        settings.host,
        settings.real_port,
        identifier=settings.client_id or client_id,
        username=settings.user or None,
        password=settings.password or None,
        protocol=aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311,
        clean_session=None if five else not session_s,
        clean_start=not session_s if five else MQTT_CLEAN_START_FIRST_ONLY,
        properties=properties,
        keepalive=settings.keepalive_s,
        timeout=settings.timeout_s,
        tls_context=context,
        will=aiomqtt.Will(will.topic, will.payload, qos=1, retain=will.retain),
        max_inflight_messages=WINDOW,
        max_queued_incoming_messages=INCOMING,
    )


def refusal(code: int) -> RefusedError:
    """Return the error for a reason code of 0x80 or above."""
    try:
        name = ReasonCode(PacketTypes.PUBACK, identifier=code).getName()
    except (KeyError, ValueError, AssertionError):
        name = "Packet too large" if code == TOO_LARGE else "unknown reason"
    return RefusedError(f"{name} (code {code})", for_good=code in FOR_GOOD)


class _Packed(Properties):
    """Properties packed once.  The library packs them for each message, which costs as much as sending it."""

    def __init__(self, properties: Properties) -> None:
        super().__init__(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        object.__setattr__(self, "_bytes", properties.pack())  # type: ignore[no-untyped-call]

    def pack(self) -> bytes:
        packed: bytes = self.__dict__["_bytes"]
        return packed


@lru_cache(maxsize=64)
def _properties(text: str) -> Properties | None:
    described = json.loads(text)
    if not described:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    if "content_type" in described:
        properties.ContentType = described["content_type"]
    if "expiry_s" in described:
        properties.MessageExpiryInterval = described["expiry_s"]
    if "correlation" in described:
        properties.CorrelationData = bytes.fromhex(described["correlation"])
    if "user" in described:
        properties.UserProperty = list(described["user"].items())
    return _Packed(properties)
