"""Comparison of the database with the broker: signs that the database was put back from an older copy.

The broker keeps the last status of the bench and the newest result of each instrument.  A database that was put back,
also by a snapshot of the whole disk, lacks results that the broker shows under the database's own source.  New results
would then get numbers that consumers have seen.  So the comparison is made before anything is published.
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
MOST_EPOCHS_AHEAD: Final = 1000
"""An epoch that is further ahead is not believed: no database is put back so often."""
_SOURCE: Final = re.compile(r"urn:uuid:([0-9a-f-]{36})#([1-9][0-9]{0,8})")


@dataclass(frozen=True, slots=True)
class PutBack:
    """A sign that the database was put back; `least` is the first epoch whose numbers are free."""

    reason: str
    least: int


class Comparison:
    """Collects the retained messages of the own prefix and compares them with the database."""

    def __init__(self, store: Store, topics: Topics) -> None:
        self._store = store
        self._status, self._last = topics.status(), topics.last_of_all()
        self._shown: dict[str, bytes] | None = None

    def arrived(self, topic: str, payload: bytes) -> bool:
        """Take a message; return False where no comparison is in progress."""
        if self._shown is None:
            return False
        if len(payload) <= LARGEST:
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
            for wanted in (self._status, self._last):
                try:
                    await connection.subscribe(wanted, qos=0)
                except RefusedError as error:
                    log = structlog.get_logger()
                    log.info("a database that was put back is not noticed", topic=wanted, reason=str(error))
            # The broker sends the retained messages before its answer to this.
            await connection.unsubscribe(self._last)
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
        shown: retained payloads by topic: the status of the bench, and newest results.
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
    for stream, number in _numbers(message):
        if number > known.get(stream, 0):
            text = f"the broker shows result {number} of {stream} on {topic}, and the last one here is"
            yield PutBack(f"{text} {known.get(stream, 0)}", least)
    if "specversion" in message and isinstance(message.get("id"), str) and not has(message["id"]):
        yield PutBack(f"the broker shows result {message['id'][:36]} on {topic}, which is not here", least)


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
