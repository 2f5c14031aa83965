"""Requests of consumers for results that they miss: which are granted, and how often.

A request is JSON on the topic ``.../refill``::

    {"source": "urn:uuid:...#1", "stream": "bench-1", "first": 12, "last": 15}

The messages come again with the same ids and bytes, on their own topics.  A request with a response topic gets an
answer with the number of messages or the reason against them.  A request that is not granted is counted and logged, and
has no other effect.  No other request is accepted over MQTT.
"""

import json
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import structlog

from daq.adapters.outbox.answers import NotGranted
from daq.adapters.store.outgoing.delivery import SendAgain
from daq.core.errors import DaqError

LONGEST_REQUEST: Final = 2048
"""Bytes."""
MOST_RESULTS: Final = 500
"""Largest number of results of one request, from its first on; the consumer must request the rest again."""
SAME_STREAM_S: Final = 5.0
"""Least time in seconds between two granted requests for the same stream."""
MOST_IN_SPAN: Final = 20
"""Largest number of requests granted within `SAME_STREAM_S`, over all streams."""
MOST_SEQUENCE: Final = 10**15
LOG_EVERY_S: Final = 60.0
"""Least time in seconds between two log entries of the same reason; requests between them are only counted."""

_SOURCE: Final = re.compile(
    r"urn:uuid:([0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12})#([1-9][0-9]{0,8})"
)


class NotGrantedError(DaqError):
    """A request is malformed, for another database, or too frequent.  Example: ``first`` is larger than ``last``."""


@dataclass(frozen=True, slots=True)
class Request:
    """Request for the results `first` to `last` (both included) of a stream, of a database and its epoch."""

    uuid: str
    epoch: int
    stream: str
    first: int
    last: int


class Refill:
    """Judges requests for one database.

    Attributes:
        epoch: present epoch of the database.
        granted: number of requests granted.
        refused: number of requests refused, by reason.
    """

    def __init__(self, uuid: str, epoch: int, utc_ns: Callable[[], int], mono_ns: Callable[[], int]) -> None:
        """`uuid` and `epoch` are the database's; requests of its former epochs are granted too."""
        self._uuid, self.epoch = uuid, epoch
        self._utc_ns, self._mono_ns = utc_ns, mono_ns
        self._last: dict[tuple[int, str], float] = {}
        self._named: dict[str, float] = {}
        self._log = structlog.get_logger().bind(part="refill")
        self.granted = 0
        self.refused: Counter[str] = Counter()

    def __call__(self, payload: bytes) -> SendAgain | NotGranted:
        """Return the transaction that sends the requested results again, or the reason against it."""
        now = self._mono_ns() / 1e9
        try:
            wanted = read_request(payload)
            self._allow(wanted, now)
        except NotGrantedError as error:
            self._note(str(error), now)
            return NotGranted(str(error))
        self._last[wanted.epoch, wanted.stream] = now
        self.granted += 1
        return SendAgain(
            stream=wanted.stream,
            epoch=wanted.epoch,
            sequences=(wanted.first, min(wanted.last, wanted.first + MOST_RESULTS - 1)),
            utc_ns=self._utc_ns(),
            who=None,
        )

    def _allow(self, wanted: Request, now: float) -> None:
        if wanted.uuid != self._uuid:
            raise NotGrantedError("the source is another database")
        if wanted.epoch > self.epoch:
            raise NotGrantedError("the source is an epoch that has not started yet")
        self._last = {stream: t for stream, t in self._last.items() if now - t < SAME_STREAM_S}
        if (wanted.epoch, wanted.stream) in self._last:
            raise NotGrantedError(f"the stream was asked for less than {SAME_STREAM_S:g} s ago")
        if len(self._last) >= MOST_IN_SPAN:
            raise NotGrantedError(f"more than {MOST_IN_SPAN} requests in {SAME_STREAM_S:g} s")

    def _note(self, reason: str, now: float) -> None:
        self.refused[reason] += 1
        if now - self._named.get(reason, -LOG_EVERY_S) >= LOG_EVERY_S:
            self._named[reason] = now
            self._log.warning("a consumer's request was not granted", reason=reason, so_far=self.refused[reason])


def read_request(payload: bytes) -> Request:
    """Return the request in a payload.

    Raises:
        NotGrantedError: the payload is no request.  The text is one of a few that do not depend on the bytes, so that
            refusals can be counted by reason.
    """
    if len(payload) > LONGEST_REQUEST:
        raise NotGrantedError(f"the request is longer than {LONGEST_REQUEST} bytes")
    try:
        asked: Any = json.loads(payload.decode("utf-8"))
    except (ValueError, RecursionError):
        raise NotGrantedError("the request is not JSON") from None
    if not isinstance(asked, dict) or set(asked) != {"source", "stream", "first", "last"}:
        raise NotGrantedError("the request is no JSON object with source, stream, first and last")
    source = _SOURCE.fullmatch(asked["source"]) if isinstance(asked["source"], str) else None
    if source is None:
        raise NotGrantedError("the source is not urn:uuid:...#epoch")
    stream, first, last = asked["stream"], asked["first"], asked["last"]
    if not isinstance(stream, str) or not stream or "\x00" in stream or not _encodable(stream):
        raise NotGrantedError("the stream is no name")
    if type(first) is not int or type(last) is not int or not 1 <= first <= last <= MOST_SEQUENCE:
        raise NotGrantedError("first and last are not whole numbers from 1 on, first not above last")
    return Request(source[1], int(source[2]), stream, first, last)


def _encodable(text: str) -> bool:
    """Return True if the text can be stored: JSON accepts single surrogates, which UTF-8 cannot encode."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
