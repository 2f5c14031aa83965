"""An aiomqtt client that also reports reason codes, the broker's limits and the loss of the connection."""

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from typing import Any, Final, TypeVar

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.client import MQTT_ERR_SUCCESS, Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daq.adapters.mqtt.settings import MqttSettings
from daq.core.errors import DaqError

T = TypeVar("T")
AnswerCallback = Callable[[int], None]
LOST: Final = -1
"""Takes the place of a reason code when the connection ended before the broker's answer arrived."""


def ignore_answer(code: int) -> None:
    """Do nothing with the broker's answer; for messages whose answer has no effect."""


async def run_to_completion(awaitable: Coroutine[Any, Any, T]) -> T:
    """Await a coroutine to its end; a cancellation of the caller is raised only after that."""
    task = asyncio.ensure_future(awaitable)
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        await asyncio.wait([task])
        if not task.cancelled():
            task.exception()  # read the exception, so that asyncio does not log it as never retrieved
        raise


class BrokerDownError(DaqError):
    """There is no connection to the broker, or the connection was lost.  Example: the broker was restarted."""


class RefusedError(DaqError):
    """The broker refused a message or the connection.  Example: an access rule forbids the topic.

    Attributes:
        for_good: the broker refuses the same message each time, also after a change of its access rules.
    """

    def __init__(self, text: str, *, for_good: bool = False) -> None:
        self.for_good = for_good
        super().__init__(text)


class NoAnswerError(aiomqtt.MqttError):
    """The port accepts connections, but no answer to CONNECT arrived.  Example: a broker that hangs."""


class ClosedUnansweredError(NoAnswerError):
    """The other end closed the connection in place of an answer to CONNECT.  Example: a broker without MQTT 5."""


class BrokerClient(aiomqtt.Client):
    """A client for one connection.

    Attributes:
        limits: ``ReceiveMaximum`` and ``MaximumPacketSize`` of the broker, where it states them.
        session_present: the broker has kept a session of this client.
        on_arrival: is called with topic, payload and the retained flag of each message as it is read; the library's
            queue stays empty then.
        lost: is done, with the reason, when the connection has ended.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # The library never reads this future where the connection is lost right after CONNACK; see `open_client`.
        self._disconnected.add_done_callback(lambda ended: ended.cancelled() or ended.exception())
        self._answers: dict[int, AnswerCallback] = {}
        self.limits: dict[str, int] = {}
        self.session_present = False
        self.on_arrival: Callable[[str, bytes, bool], None] | None = None
        self.lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def watch(self) -> None:
        """Complete `lost` when the connection ends from now on."""
        self._disconnected.add_done_callback(self._on_end)

    def start_publish(
        self,
        topic: str,
        payload: bytes,
        qos: int,
        retain: bool,
        properties: Properties | None,
        answered: AnswerCallback,
    ) -> None:
        """Send a message; `answered` is called with the reason code of the answer, or with `LOST`.

        The call is made while the answer is read.  With QoS 0 there is no answer and no call.

        Raises:
            BrokerDownError: the connection has ended, or the library cannot send.
        """
        if self.lost.done():
            raise BrokerDownError(self.lost.result())
        info = self._client.publish(topic, payload, qos, retain, properties)
        if info.rc != MQTT_ERR_SUCCESS:
            raise BrokerDownError(f"the message could not be sent (client error {int(info.rc)})")
        if qos:
            # The answer is read by the event loop, so it cannot have come before this line.
            self._answers[info.mid] = answered

    @property
    def backlog(self) -> int:
        """Number of packets that wait for the network."""
        return len(self._client._out_packet)  # noqa: SLF001 - paho has no public count of what is not yet written

    @property
    def reached(self) -> bool:
        """True while the TCP connection is open."""
        return self._client.socket() is not None

    def drop(self) -> None:
        """Close the socket without DISCONNECT."""
        self._client._sock_close()  # noqa: SLF001 - aiomqtt leaves it open when connecting fails

    def hang_up(self) -> None:
        """Close an open connection without DISCONNECT; every message without answer gets `LOST`."""
        self.drop()
        self._end("the connection was given up")

    async def finish(self) -> None:
        """Cancel the library's background task and wait for its end."""
        task = self._misc_task
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    def _on_end(self, ended: "asyncio.Future[None]") -> None:
        error = None if ended.cancelled() else ended.exception()
        self._end(f"the connection was lost: {error}" if error else "the connection was closed")

    def _end(self, reason: str) -> None:
        if not self.lost.done():
            self.lost.set_result(reason)
        waiting, self._answers = self._answers, {}
        for answered in waiting.values():
            answered(LOST)

    def _on_connect(
        self,
        client: Client,
        userdata: Any,
        flags: ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.session_present = bool(flags.session_present)
        for name in ("ReceiveMaximum", "MaximumPacketSize"):
            if properties is not None and hasattr(properties, name):
                self.limits[name] = getattr(properties, name)
        if "ReceiveMaximum" in self.limits:
            # More messages in flight would end the connection.  The library's setter works only before CONNECT.
            most = min(self._client.max_inflight_messages, self.limits["ReceiveMaximum"])
            self._client._max_inflight_messages = most  # noqa: SLF001 - see above
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(
        self,
        client: Client,
        userdata: Any,
        flags: DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if not self._connected.done():
            self._connected.set_exception(
                ClosedUnansweredError(f"it closed the connection before it answered ({reason_code})")
            )
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        if self.on_arrival is None:
            super()._on_message(client, userdata, message)
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return  # daq publishes no topic that is not UTF-8
        self.on_arrival(topic, bytes(message.payload), bool(message.retain))

    def _on_publish(
        self, client: Client, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        answered = self._answers.pop(mid, None)
        if answered is None:
            super()._on_publish(client, userdata, mid, reason_code, properties)
        else:
            answered(reason_code.value)


async def open_client(client: BrokerClient) -> None:
    """Connect the client and start to watch the connection (`BrokerClient.lost`).

    Raises:
        aiomqtt.MqttError: the connection failed; its socket and task are closed.
    """
    try:
        # The library connects in a thread that cannot be cancelled: wait for it, then close.
        await run_to_completion(client.__aenter__())
    except asyncio.CancelledError:
        await close_client(client)
        raise
    except aiomqtt.MqttError as error:
        reached = client.reached
        client.drop()
        await client.finish()
        if reached and type(error) is aiomqtt.MqttError:
            raise NoAnswerError("it does not answer CONNECT") from error
        raise
    if not client.reached:
        await close_client(client)
        raise aiomqtt.MqttError("it closed the connection right after it had accepted it")
    client.watch()


async def close_client(client: BrokerClient) -> None:
    """Send DISCONNECT where the connection is open, and close socket and task."""
    await run_to_completion(_disconnect(client))


async def _disconnect(client: BrokerClient) -> None:
    if client.reached and not client.lost.done():
        with contextlib.suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)
    client.drop()
    await client.finish()


def connection_error(error: aiomqtt.MqttError, settings: MqttSettings) -> DaqError:
    """Return the error of a failed connection, with a text for a person."""
    if isinstance(error, MqttConnectError):
        return RefusedError(
            f"the broker at {settings.place} refuses the connection: {error}; check user, password and access rules"
        )
    return BrokerDownError(f"no broker answers at {settings.place}: {error}; check host, port, TLS and the network")
