"""Comparison of the database with the broker: signs that the database was put back from an older copy.

The broker keeps the last status of the bench, the newest result of each instrument, and the highest result of each
instrument that a collector has stored.  A database that was put back, also by a snapshot of the whole disk, lacks
results that the broker shows under the database's own source.  New results would then get numbers that consumers have
seen.  So the comparison is made before anything is published.

A collector that was away at that moment publishes its results later, and a snapshot can be put back while the
connection stays.  So the subscription to the messages of collectors stays, and each is compared when it arrives.
"""

import asyncio
import json
import re
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import structlog

from daq.adapters.mqtt.client import RefusedError
from daq.adapters.mqtt.connection import Connection
from daq.adapters.mqtt.topics import Topics
from daq.adapters.outbox.flight import in_thread
from daq.adapters.store.outgoing.outbox_reading import last_sequences
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store

LARGEST: Final = 1 << 20
"""Largest retained payload (bytes) that is read; a larger one is not from daq."""
MOST_TOPICS: Final = 10_000
"""Largest number of topics that are compared; a bench has far fewer instruments."""
MOST_EPOCHS_AHEAD: Final = 1000
"""An epoch that is further ahead is not believed: no database is put back so often."""
HIGHEST: Final = 10**15
"""Sequence numbers from here on are not believed where a collector announces them; a collector stores none."""
_SOURCE: Final = re.compile(r"urn:uuid:([0-9a-f-]{36})#([1-9][0-9]{0,8})")
_ID: Final = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_COLLECTED: Final = re.compile(r"(?:.*/)?collected/([^/]+)", re.DOTALL)

#: Reports a message that is not believed or not compared: topic, event, reason.
Warn = Callable[[str, str, str], None]


@dataclass(frozen=True, slots=True)
class PutBack:
    """A sign that the database was put back; `least` is the first epoch whose numbers are free."""

    reason: str
    least: int


class Comparison:
    """Collects the retained messages of the own prefix and compares them with the database."""

    def __init__(self, store: Store, topics: Topics) -> None:
        self._store = store
        self._status, self._last, self._collected = topics.status(), topics.last_of_all(), topics.collected_of_all()
        self._shown: dict[str, bytes] | None = None
        """Messages that arrive during `check`; None at other times."""
        self._news: dict[str, bytes] = {}
        """Messages about stored results that arrived after `check`: the newest of each topic."""
        self._warned: set[tuple[str, str]] = set()
        """Topics and reasons of the warnings of this connection, so that a flood does not fill the log."""
        self._log = structlog.get_logger().bind(part="publisher")

    @property
    def has_news(self) -> bool:
        """True if messages about stored results wait for `compare_news`."""
        return bool(self._news)

    def arrived(self, topic: str, payload: bytes, *, retained: bool) -> bool:
        """Take a message; return False where it is none of the comparison.

        `retained` is true for a message that was retained before the subscription.
        """
        is_collected = topic.startswith(self._collected.removesuffix("+"))
        if self._shown is not None and (retained or is_collected):
            kept = self._shown
        elif is_collected:
            kept = self._news
        else:
            return False
        if not payload:
            return True  # a retained message was removed
        if len(payload) > LARGEST or (len(kept) >= MOST_TOPICS and topic not in kept):
            self._warn(topic, "a retained message is not compared", "too large, or too many")
        else:
            kept[topic] = payload
        return True

    async def check(self, connection: Connection, reader: Reader) -> PutBack | None:
        """Return the sign that the database was put back, or None.

        The subscriptions to the own status and to the messages of collectors stay.

        Raises:
            BrokerDownError: the connection was lost.
            StoreError: the database cannot be read.
        """
        self._shown = {}
        self._news.clear()
        self._warned.clear()
        try:
            # With QoS 0 the broker keeps no old status for a session without connection.
            for wanted in (self._status, self._last, self._collected):
                try:
                    await connection.subscribe(wanted, qos=0)
                except RefusedError as error:
                    self._log.info("a database that was put back is not noticed", topic=wanted, reason=str(error))
            # The broker sends the retained messages before its answer to this.
            await connection.unsubscribe(self._last)
            await asyncio.sleep(0)
            shown = self._shown
        finally:
            self._shown = None
        return await self._compared(shown, reader)

    async def compare_news(self, reader: Reader, act: Callable[[PutBack | None], Awaitable[None]]) -> None:
        """Compare the messages that arrived since; `act` gets the sign that the database was put back, or None.

        Raises:
            StoreError: the database cannot be read, or `act` raised it; the messages are compared again.
        """
        news = dict(self._news)
        # A result is committed before its message is sent, so the database has every number that can be stored.
        await act(await self._compared(news, reader))
        for topic, payload in news.items():
            if self._news.get(topic) is payload:
                del self._news[topic]

    async def _compared(self, shown: Mapping[str, bytes], reader: Reader) -> PutBack | None:
        known = await in_thread(last_sequences, reader, self._store.epoch)

        def has(result: str) -> bool:
            return reader.result(result) is not None

        return await in_thread(sign, shown, self._store.uuid, self._store.epoch, known, has, self._warn)

    def _warn(self, topic: str, event: str, reason: str) -> None:
        if (topic, reason) not in self._warned and len(self._warned) < MOST_TOPICS:
            self._warned.add((topic, reason))
            _warn(topic, event, reason)


def _warn(topic: str, event: str, reason: str) -> None:
    structlog.get_logger().bind(part="publisher").warning(event, topic=topic[:200], reason=reason)


def sign(
    shown: Mapping[str, bytes],
    uuid: str,
    epoch: int,
    known: Mapping[str, int],
    has: Callable[[str], bool],
    warn: Warn = _warn,
) -> PutBack | None:
    """Return the sign that a database was put back, or None.

    Args:
        shown: retained payloads by topic: the status of the bench, newest results, and highest stored results.
        uuid: identity of the database.
        epoch: its epoch.
        known: last sequence number of each stream in this epoch.
        has: returns whether the database contains the result of an id.
        warn: is called for a message that is not believed.
    """
    found: list[PutBack] = []
    for topic, payload in sorted(shown.items()):
        message = _decoded(payload)
        collected = _COLLECTED.fullmatch(topic)
        if collected is not None and (fault := _fault(message, collected[1], uuid, epoch)):
            warn(topic, "a message about stored results is ignored", fault)
        else:
            found += _signs(topic, message, collected, uuid, epoch, known, has)
    if not found:
        return None
    return PutBack("; ".join(s.reason for s in found), max(s.least for s in found))


def _signs(
    topic: str,
    message: Mapping[str, Any],
    collected: re.Match[str] | None,
    uuid: str,
    epoch: int,
    known: Mapping[str, int],
    has: Callable[[str], bool],
) -> Iterable[PutBack]:
    source = _SOURCE.fullmatch(str(message.get("source", "")))
    if source is None or source[1] != uuid:
        return
    shown = int(source[2])
    if not epoch <= shown <= epoch + MOST_EPOCHS_AHEAD:
        return
    least = shown + 1
    if shown > epoch:
        yield PutBack(f"the broker shows epoch {shown} on {topic}, and the database is in epoch {epoch}", least)
        return
    numbers = _numbers(message) if collected is None else [(collected[1], message["sequence"])]
    for stream, number in numbers:
        if number > known.get(stream, 0):
            text = f"the broker shows result {number} of {stream} on {topic}, and the last one here is"
            yield PutBack(f"{text} {known.get(stream, 0)}", least)
    is_result = collected is not None or "specversion" in message
    if is_result and isinstance(message.get("id"), str) and not has(message["id"]):
        yield PutBack(f"the broker shows result {message['id'][:36]} on {topic}, which is not here", least)


def _fault(message: Mapping[str, Any], stream: str, uuid: str, epoch: int) -> str:
    """Return the reason why a message of a collector is not believed, or ""."""
    source = _SOURCE.fullmatch(str(message.get("source", "")))
    number, id_ = message.get("sequence"), message.get("id")
    if source is None:
        return "it is no JSON object with a source"
    if message.get("stream") != stream:
        return "its stream is not the topic's last level"
    if type(number) is not int or not 0 < number < HIGHEST:
        return f"its sequence is not a whole number from 1 to {HIGHEST - 1}"
    if not isinstance(id_, str) or _ID.fullmatch(id_) is None:
        return "its id is not a UUID"
    if type(message.get("epoch")) is not int or message["epoch"] != int(source[2]):
        return "its epoch is not that of its source"
    if source[1] == uuid and int(source[2]) > epoch + MOST_EPOCHS_AHEAD:
        return f"its epoch is more than {MOST_EPOCHS_AHEAD} ahead"
    return ""


def _numbers(message: Mapping[str, Any]) -> Iterable[tuple[str, int]]:
    """Give the pairs of stream and sequence number of a status, or of a result (a CloudEvent)."""
    sequences = message.get("sequences")
    if isinstance(sequences, dict):
        yield from ((s, n) for s, n in sequences.items() if type(n) is int)
    text, stream = message.get("sequence"), message.get("subject")
    if isinstance(text, str) and text.isascii() and text.isdigit() and len(text) <= 18 and isinstance(stream, str):
        yield stream, int(text)


def _decoded(payload: bytes) -> dict[str, Any]:
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
