"""One connection to a broker.  What the client library does not say is found out and hidden here.

aiomqtt returns normally from a publish that the broker refused, waits a whole time-out for
acknowledgements that can no longer come, and does not notice a broker that hangs up before
it answers.  `Connection` reads the reason codes itself and ends every wait when the
connection is lost.
"""

import asyncio
import contextlib
import json
import ssl
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daq.adapters.mqtt.client import (
    LOST,
    Answered,
    BrokerDownError,
    NoAnswerError,
    OpenClient,
    RefusedError,
    enter,
    explained,
    leave,
    unheard,
)
from daq.adapters.mqtt.settings import MqttSettings, tls_context

WINDOW: Final = 10
"""At most so many messages are on their way unacknowledged."""
REFUSED_FROM: Final = 0x80
"""Reason codes from here on are refusals (MQTT 5, section 2.4)."""
TOO_LARGE: Final = 0x95
FOR_GOOD: Final = frozenset({0x90, TOO_LARGE, 0x99})
"""Refusals of the message itself: topic name invalid, packet too large, payload format invalid.  Others (not
authorised, quota exceeded, unspecified) depend on the broker's rules and state, which its keeper may change."""
GREETING_S: Final = 5.0
"""How long to wait for the answer to a greeting.  A broker that does not know MQTT 5 may take its greeting for the
beginning of something longer and stay silent."""
OVERHEAD: Final = 64
"""Bytes of a packet beside topic and payload, at most: header, packet identifier, our properties."""
LIVE_BACKLOG: Final = 200
"""Live messages are dropped while so many packets wait for the network."""
INCOMING: Final = 1000
"""Messages from the broker that wait to be read; more are thrown away, so that a flood costs no memory."""
_OLD_BROKER: Final = frozenset({1, 0x84})
"""CONNACK codes of a broker that does not speak the version: 1 in MQTT 3.1.1, 0x84 in MQTT 5."""

Version = Literal["5", "3.1.1"]


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker publishes when the connection is lost without a farewell."""

    topic: str
    payload: bytes
    retain: bool = True


@dataclass(frozen=True, slots=True)
class Received:
    """A message from the broker.  `retain`: it was kept there, and sent because we subscribed just now."""

    topic: str
    payload: bytes
    retain: bool


class Connection:
    """An open connection.  Made by `connect`."""

    def __init__(self, client: OpenClient, version: Version, timeout_s: float) -> None:
        self._client = client
        self.timeout_s = timeout_s
        self.session_present = client.session_present
        self.version: Version = version
        self.window = min(WINDOW, client.limits.get("ReceiveMaximum", WINDOW))
        self.largest = client.limits.get("MaximumPacketSize", 0)
        """Largest packet (bytes) the broker takes; 0 where it did not say."""

    @property
    def lost(self) -> "asyncio.Future[str]":
        """Done, with the reason, when the connection has ended."""
        return self._client.lost

    async def publish(
        self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False, properties: str = "{}"
    ) -> None:
        """Send a message and wait for the broker's answer.

        Raises:
            RefusedError: the broker did not take it; carries the reason's name and code.
            BrokerDownError: the connection was lost or no answer came in time; the message may or may not have arrived.
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
        answered: Answered,
        *,
        qos: int = 1,
        retain: bool = False,
        properties: str = "{}",
    ) -> None:
        """Send a message; `answered` gets the reason code as it comes, or `LOST`, and nothing with QoS 0.

        Raises:
            RefusedError: the broker said that it takes nothing so large.
            BrokerDownError: the connection is lost already.
        """
        if self.largest and len(payload) + len(topic.encode()) + OVERHEAD > self.largest:
            text = f"larger than the broker takes ({len(payload)} of at most {self.largest} bytes)"
            raise RefusedError(text, for_good=True)
        described = _properties(properties) if self.version == "5" else None
        self._client.start_publish(topic, payload, qos, retain, described, answered)

    def on_arrival(self, take: Callable[[str, bytes, bool], None]) -> None:
        """From now on give what arrives to `take` at once (topic, payload, retained); `receive` gets nothing more."""
        self._client.on_arrival = take

    async def subscribe(self, topic: str, *, qos: int = 1) -> None:
        """Have the broker send us what is published under a topic; it comes out of `receive`.

        Raises:
            RefusedError: the broker does not allow it.
            BrokerDownError: the connection was lost or no answer came in time.
        """
        try:
            codes = await self._client.subscribe(topic, qos, timeout=self.timeout_s)
        except aiomqtt.MqttError as error:
            raise BrokerDownError(f"no answer to a subscription: {error}") from error
        for code in codes:
            value = code.value if isinstance(code, ReasonCode) else code
            if value >= REFUSED_FROM:
                raise RefusedError(f"the broker does not let us listen to {topic} (code {value}); check its rules")

    async def unsubscribe(self, topic: str) -> None:
        """Hear no more of a topic; everything the broker had sent before has been read then.

        Raises:
            BrokerDownError: the connection was lost or no answer came in time.
        """
        try:
            await self._client.unsubscribe(topic, timeout=self.timeout_s)
        except aiomqtt.MqttError as error:
            raise BrokerDownError(f"no answer from the broker: {error}") from error

    async def receive(self) -> Received:
        """The next message of the subscriptions.

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
        """End the connection without a farewell: the broker publishes the will."""
        self._client.hang_up()

    async def round_trip(self) -> None:
        """Wait until the broker has handled everything sent so far, messages without acknowledgement included.

        It answers the packets of a connection in order, and an answer is owed to an unsubscription even where
        nobody was subscribed (MQTT 5, section 3.11.4; MQTT 3.1.1, section 3.11).

        Raises:
            BrokerDownError: the connection was lost or no answer came in time.
        """
        await self.unsubscribe("round-trip")

    def publish_live(self, topic: str, payload: bytes) -> bool:
        """Send a message at most once; False where it was dropped because the network does not keep up."""
        if self.lost.done() or self._client.backlog > LIVE_BACKLOG:
            return False
        with contextlib.suppress(BrokerDownError):
            self._client.start_publish(topic, payload, 0, False, None, unheard)
            return True
        return False


@contextlib.asynccontextmanager
async def connect(
    settings: MqttSettings, client_id: str, will: "dict[Version, Will]", *, session_s: int = 0
) -> AsyncIterator[Connection]:
    """Connect with MQTT 5, or with 3.1.1 where the broker or the settings want that.

    Args:
        settings: where and how.
        client_id: used where the settings have none.
        will: what is published when the connection is lost, by version.
        session_s: how long the broker shall remember this client after the connection; 0: not at all.  MQTT 3.1.1 knows
            no time, only whether.

    Raises:
        BrokerDownError: nobody answers there.
        RefusedError: the broker does not let us in; the text says why.
        SettingError: a certificate file is wrong.
    """
    versions: tuple[Version, ...] = ("5", "3.1.1") if settings.protocol == "auto" else (settings.protocol,)
    context = tls_context(settings)
    for version in versions:
        client = _make_client(settings, client_id, version, will[version], context, session_s)
        try:
            await enter(client)
        except aiomqtt.MqttError as error:
            if version == versions[-1] or not _speaks_older(error):
                raise explained(error, settings) from error
            continue
        break
    try:
        yield Connection(client, version, settings.timeout_s)
    finally:
        await leave(client)


def _make_client(
    settings: MqttSettings,
    client_id: str,
    version: Version,
    will: Will,
    context: ssl.SSLContext | None,
    session_s: int,
) -> OpenClient:
    five = version == "5"
    properties = None
    if five and session_s:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        properties.SessionExpiryInterval = session_s
    return OpenClient(
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
        timeout=min(settings.timeout_s, GREETING_S),
        tls_context=context,
        will=aiomqtt.Will(will.topic, will.payload, qos=1, retain=will.retain),
        max_inflight_messages=WINDOW,
        max_queued_incoming_messages=INCOMING,
    )


def _speaks_older(error: aiomqtt.MqttError) -> bool:
    if isinstance(error, MqttConnectError):
        return _code(error) in _OLD_BROKER
    # A broker that cannot read the greeting hangs up or waits for more.
    return isinstance(error, NoAnswerError)


def _code(error: aiomqtt.MqttCodeError) -> int:
    return error.rc.value if isinstance(error.rc, ReasonCode) else int(error.rc or 0)


def refusal(code: int) -> RefusedError:
    """What a reason code of 0x80 or above says."""
    try:
        name = ReasonCode(PacketTypes.PUBACK, identifier=code).getName()
    except (KeyError, ValueError, AssertionError):
        name = "Packet too large" if code == TOO_LARGE else "unknown reason"
    return RefusedError(f"{name} (code {code})", for_good=code in FOR_GOOD)


class _Packed(Properties):
    """Properties that were packed once: the library packs them anew with each message, at the cost of sending it."""

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
    if "user" in described:
        properties.UserProperty = list(described["user"].items())
    return _Packed(properties)
