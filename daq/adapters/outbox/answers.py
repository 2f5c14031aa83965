"""Answers to consumers' requests: what will come, or why not, on the response topic of the request (MQTT 5).

A request's properties name any topic that its sender likes.  The daemon answers only on topics of the own branch
``answer``, so that a request cannot make it write to a topic of results, of statuses or of other daemons, nor to the
topic of requests, where each answer would be a new request.
"""

import asyncio
import contextlib
import json
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from daq.adapters.mqtt.client import RefusedError, Reply
from daq.adapters.mqtt.connection import Connection
from daq.adapters.mqtt.topics import LONGEST, Topics, check_level
from daq.adapters.store.outgoing.delivery import SendAgain
from daq.core.errors import SettingError

LONGEST_CORRELATION: Final = 256
"""Longest correlation data (bytes) that an answer repeats."""

MOST_ANSWERS: Final = 20
"""Maximum number of answers in `ANSWER_SPAN_S`; further requests are handled without an answer."""
ANSWER_SPAN_S: Final = 5.0
ANSWER_EXPIRY_S: Final = 60
"""Time (s) after which the broker drops an answer that it could not deliver."""


@dataclass(frozen=True, slots=True)
class NotGranted:
    """A request that is not granted, with the reason for its sender."""

    reason: str


@dataclass(frozen=True, slots=True)
class Asked:
    """A received request, and where its sender wants the answer."""

    payload: bytes
    reply: Reply | None = None


def answer_topic(topics: Topics, reply: Reply | None) -> str | None:
    """Return the topic of the answer; None where the sender wants none, or wants it on a topic that is not allowed."""
    if reply is None or not reply.topic.startswith(f"{topics.answers}/") or len(reply.topic.encode()) > LONGEST:
        return None
    if reply.correlation is not None and len(reply.correlation) > LONGEST_CORRELATION:
        return None
    try:
        for level in reply.topic.split("/"):
            check_level(level, key="response topic")
    except SettingError:
        return None
    return reply.topic


def answer(source: str, judged: SendAgain | NotGranted, messages: int = 0) -> bytes:
    """Return the payload of an answer, JSON.

    Args:
        source: identity of the database with its present epoch.
        judged: the granted request, or the reason against it.
        messages: number of messages that were put into the outbox again.
    """
    content: dict[str, Any] = {"source": source, "granted": False, "messages": messages}
    if isinstance(judged, NotGranted):
        content["reason"] = judged.reason
        return json.dumps(content, ensure_ascii=False).encode()
    first, last = judged.sequences or (None, None)
    content |= {"granted": True, "stream": judged.stream, "epoch": judged.epoch, "first": first, "last": last}
    if not messages:
        content["reason"] = (
            "no delivered message of these results is in the database: it has none, or they wait already"
        )
    return json.dumps(content, ensure_ascii=False).encode()


class Answers:
    """Sends the answers to requests over a connection, at a limited rate."""

    def __init__(self, topics: Topics, source: Callable[[], str]) -> None:
        """`source` returns the identity of the database with its present epoch."""
        self._topics, self._source = topics, source
        self._sent: deque[float] = deque()
        """Times (s) of the last answers."""

    async def send(self, connection: Connection, asked: Asked, judged: SendAgain | NotGranted, messages: int) -> None:
        """Tell the sender of a request what will come or why not, if it wants that on an allowed topic.

        Raises:
            BrokerDownError: the connection was lost.
        """
        topic = answer_topic(self._topics, asked.reply)
        if topic is None or asked.reply is None:
            return
        now = asyncio.get_running_loop().time()
        while self._sent and self._sent[0] < now - ANSWER_SPAN_S:
            self._sent.popleft()
        if len(self._sent) >= MOST_ANSWERS:
            return
        self._sent.append(now)
        properties: dict[str, Any] = {"content_type": "application/json", "expiry_s": ANSWER_EXPIRY_S}
        if asked.reply.correlation is not None:
            properties["correlation"] = asked.reply.correlation.hex()
        with contextlib.suppress(RefusedError):  # the results come without the answer
            payload = answer(self._source(), judged, messages)
            await connection.publish(topic, payload, properties=json.dumps(properties))
