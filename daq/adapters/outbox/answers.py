"""Answers to consumers' requests: what will come, or why not, on the response topic of the request (MQTT 5).

A request's properties name any topic that its sender likes.  The daemon answers only on topics of the own branch
``answer``, so that a request cannot make it write to a topic of results, of statuses or of other daemons, nor to the
topic of requests, where each answer would be a new request.
"""

import json
from dataclasses import dataclass
from typing import Any, Final

from daq.adapters.mqtt.client import Reply
from daq.adapters.mqtt.topics import LONGEST, Topics, check_level
from daq.adapters.store.delivery import SendAgain
from daq.core.errors import SettingError

LONGEST_CORRELATION: Final = 256
"""Longest correlation data (bytes) that an answer repeats."""


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
