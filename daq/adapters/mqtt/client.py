"""aiomqtt's client with the answers it keeps to itself: reason codes, limits, and when the line is lost."""

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
Answered = Callable[[int], None]
LOST: Final = -1
"""In place of a reason code: the connection ended before the answer came."""


def unheard(code: int) -> None:
    """Takes an answer that nobody waits for."""


async def to_the_end(awaitable: Coroutine[Any, Any, T]) -> T:
    """Await what must not be left half done: cancelled, it is still waited for, and then the cancellation goes on."""
    task = asyncio.ensure_future(awaitable)
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        await asyncio.wait([task])
        if not task.cancelled():
            task.exception()  # seen here: nobody else will ask
        raise


class BrokerDownError(DaqError):
    """There is no connection to the broker, or it was lost.  Example: the broker was restarted."""


class RefusedError(DaqError):
    """The broker refused a message or the connection.  Example: an access rule forbids the topic.

    Attributes:
        for_good: the same message will be refused each time, whatever the broker's keeper allows.
    """

    def __init__(self, text: str, *, for_good: bool = False) -> None:
        self.for_good = for_good
        super().__init__(text)


class NoAnswerError(aiomqtt.MqttError):
    """Somebody listens at the port and does not answer the greeting."""


class OpenClient(aiomqtt.Client):
    """A client for one connection."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # The library forgets this one where the connection is lost as soon as it stands; see `enter`.
        self._disconnected.add_done_callback(lambda ended: ended.cancelled() or ended.exception())
        self._answers: dict[int, Answered] = {}
        self.limits: dict[str, int] = {}
        self.session_present = False
        """Whether the broker knew this client from before."""
        self.on_arrival: Callable[[str, bytes, bool], None] | None = None
        """Takes topic, payload and whether it was retained, at once as it is read, instead of the library's queue."""
        self.lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def watch(self) -> None:
        """From now on, `lost` tells of the end of the connection."""
        self._disconnected.add_done_callback(self._on_end)

    def start_publish(
        self, topic: str, payload: bytes, qos: int, retain: bool, properties: Properties | None, answered: Answered
    ) -> None:
        """Send a message; `answered` is called with the reason code of its answer, or with `LOST`.

        It is called while the answer is read, and not at all where there is none (QoS 0).

        Raises:
            BrokerDownError: the connection is lost already.
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
        """Packets that wait for the network."""
        return len(self._client._out_packet)  # noqa: SLF001 - paho has no public count of what is not yet written

    @property
    def reached(self) -> bool:
        """Whether a connection to the port stands."""
        return self._client.socket() is not None

    def drop(self) -> None:
        """Close the socket without a farewell."""
        self._client._sock_close()  # noqa: SLF001 - aiomqtt leaves it open when connecting fails

    def hang_up(self) -> None:
        """The same on an open connection; whoever waits for an answer is told."""
        self.drop()
        self._end("the connection was given up")

    async def finish(self) -> None:
        """Wait for the library's own task, so that nothing of the connection is left."""
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
            # The library holds back what is more, which would end the connection; its setter allows that only before.
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
            self._connected.set_exception(NoAnswerError(f"it hung up before it answered ({reason_code})"))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        if self.on_arrival is None:
            super()._on_message(client, userdata, message)
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return  # no topic of ours
        self.on_arrival(topic, bytes(message.payload), bool(message.retain))

    def _on_publish(
        self, client: Client, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        answered = self._answers.pop(mid, None)
        if answered is None:
            super()._on_publish(client, userdata, mid, reason_code, properties)
        else:
            answered(reason_code.value)


async def enter(client: OpenClient) -> None:
    """Connect; from then on `lost` tells of the end.

    Raises:
        aiomqtt.MqttError: no connection came about, and nothing is left of it.
    """
    try:
        # The library connects in a thread that cannot be cancelled: wait for it, then undo.
        await to_the_end(client.__aenter__())
    except asyncio.CancelledError:
        await leave(client)
        raise
    except aiomqtt.MqttError as error:
        reached = client.reached
        client.drop()
        await client.finish()
        if reached and type(error) is aiomqtt.MqttError:
            raise NoAnswerError("it does not answer the greeting") from error
        raise
    if not client.reached:
        await leave(client)
        raise aiomqtt.MqttError("it hung up as soon as it had answered the greeting")
    client.watch()


async def leave(client: OpenClient) -> None:
    """Say farewell, where somebody listens, and leave nothing of the connection."""
    await to_the_end(_part(client))


async def _part(client: OpenClient) -> None:
    if client.reached and not client.lost.done():
        with contextlib.suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)
    client.drop()
    await client.finish()


def explained(error: aiomqtt.MqttError, settings: MqttSettings) -> DaqError:
    """Why no connection came about, for a person."""
    if isinstance(error, MqttConnectError):
        return RefusedError(
            f"the broker at {settings.place} does not let us in: {error}; check user, password and the broker's rules"
        )
    return BrokerDownError(f"no broker answers at {settings.place}: {error}; check host, port, TLS and the network")
