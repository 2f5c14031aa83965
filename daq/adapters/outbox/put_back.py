"""Comparison of the database with the broker: signs that the database was put back from an older copy.

The broker keeps the last status of the bench, the newest result of each instrument, and the highest result of each
instrument that a collector has stored.  A database that was put back, also by a snapshot of the whole disk, lacks
results that the broker shows under the database's own source.  New results would then get numbers that consumers have
seen.  So the comparison is made before anything is published.
"""

import asyncio
import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import structlog

from daq.adapters.mqtt.client import RefusedError
from daq.adapters.mqtt.connection import Connection
from daq.adapters.mqtt.topics import Topics
from daq.adapters.outbox.flight import in_thread
from daq.adapters.store.outbox_reading import last_sequences
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
        self._log = structlog.get_logger().bind(part="publisher")

    def arrived(self, topic: str, payload: bytes) -> bool:
        """Take a message; return False where no comparison is in progress."""
        if self._shown is None:
            return False
        if len(payload) > LARGEST or len(self._shown) >= MOST_TOPICS:
            self._log.warning("a retained message is not compared", topic=topic[:200], reason="too large, or too many")
        else:
            self._shown[topic] = payload
        return True

    async def check(self, connection: Connection, reader: Reader) -> PutBack | None:
        """Return the sign that the database was put back, or None; the subscription to the own status stays.

        Raises:
            BrokerDownError: the connection was lost.
            StoreError: the database cannot be read.
        """
        self._shown = {}
        try:
            # With QoS 0 the broker keeps no old status for a session without connection.
            for wanted in (self._status, self._last, self._collected):
                try:
                    await connection.subscribe(wanted, qos=0)
                except RefusedError as error:
                    self._log.info("a database that was put back is not noticed", topic=wanted, reason=str(error))
            # The broker sends the retained messages before its answer to these.
            await connection.unsubscribe(self._last)
            await connection.unsubscribe(self._collected)
            await asyncio.sleep(0)
            shown = self._shown
        finally:
            self._shown = None
        known = await in_thread(last_sequences, reader, self._store.epoch)

        def has(result: str) -> bool:
            return reader.result(result) is not None

        return await in_thread(sign, shown, self._store.uuid, self._store.epoch, known, has)


def sign(
    shown: Mapping[str, bytes], uuid: str, epoch: int, known: Mapping[str, int], has: Callable[[str], bool]
) -> PutBack | None:
    """Return the sign that a database was put back, or None.

    Args:
        shown: retained payloads by topic: the status of the bench, newest results, and highest stored results.
        uuid: identity of the database.
        epoch: its epoch.
        known: last sequence number of each stream in this epoch.
        has: returns whether the database contains the result of an id.
    """
    found = [s for topic, payload in sorted(shown.items()) for s in _signs(topic, payload, uuid, epoch, known, has)]
    if not found:
        return None
    return PutBack("; ".join(s.reason for s in found), max(s.least for s in found))


def _signs(
    topic: str, payload: bytes, uuid: str, epoch: int, known: Mapping[str, int], has: Callable[[str], bool]
) -> Iterable[PutBack]:
    message = _decoded(payload)
    collected = _COLLECTED.fullmatch(topic)
    if collected is not None and (fault := _fault(message, collected[1], uuid, epoch)):
        log = structlog.get_logger().bind(part="publisher")
        log.warning("a message about stored results is ignored", topic=topic[:200], reason=fault)
        return
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
