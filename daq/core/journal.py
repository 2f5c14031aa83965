"""Write and read the records of a journal: events and effects of a run in order, each with a CRC-32.

A record is ``kind u8, link u8, t i64, length u32, payload, CRC-32`` (little endian; the CRC covers all bytes of the
record before it).  The first record is the header.  Blocks of records are chained by SHA-256.
"""

import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from daq.core.effects import Effect, Send, recorded
from daq.core.errors import FormatError, JournalError, SettingError
from daq.core.events import (
    ClockAnchor,
    Event,
    LinkDown,
    LinkUp,
    OperatorCommand,
    Received,
    Sent,
    StoreFault,
    Tick,
)
from daq.core.header import Header, read_header
from daq.core.journal_block import CRC, EFFECT, HEAD, HEADER, Block, chain

NO_LINK: Final = 255

RECEIVED, SENT, TICK, LINK_UP, LINK_DOWN, ANCHOR, OPERATOR, STORE_FAULT = range(1, 9)


@dataclass(slots=True)
class Record:
    """One record of a journal.  Exactly one of `event`, `effect` and `header` is set."""

    index: int
    event: Event | None = None
    effect: str | None = None
    header: Header | None = None


def canonical(effect: Effect) -> str:
    """Return the text by which an effect is compared: its kind and its values, floats in full precision."""
    return type(effect).__name__ + " " + json.dumps(recorded(effect), sort_keys=True, separators=(",", ":"))


class JournalWriter:
    """Encoder of events and effects as records in blocks."""

    def __init__(self, links: Sequence[str]) -> None:
        self._numbers = {name: i for i, name in enumerate(links)}
        self._parts: list[bytes] = []
        self._last: Received | None = None
        self.digest = ""
        self.records = 0
        self.first_t = 0
        self.last_t = 0
        self._in_block = 0

    def header(self, header: Header, t: int) -> None:
        """Write the header at `t` (ns); it must be the first record."""
        self._put(HEADER, NO_LINK, t, header.text.encode())

    def event(self, event: Event) -> None:
        """Write one event.  Successive chunks of one link with the same time become one record."""
        last = self._last
        if type(event) is Received:
            if last is not None and last.t == event.t and last.link == event.link:
                last.data += event.data
                return
            self._settle()
            self._last = Received(event.t, event.link, event.data)
            return
        self._settle()
        kind, link, payload = _event_payload(event)
        self._put(kind, self._numbers[link] if link else NO_LINK, event.t, payload)

    def effect(self, effect: Effect, t: int) -> None:
        """Write one effect of time `t` (ns).  A `Send` is not written: the `Sent` event that follows records it."""
        if type(effect) is Send:
            return
        self._settle()
        self._put(EFFECT, NO_LINK, t, canonical(effect).encode())

    def _settle(self) -> None:
        last, self._last = self._last, None
        if last is not None:
            self._put(RECEIVED, self._numbers[last.link], last.t, last.data)

    def _put(self, kind: int, link: int, t: int, payload: bytes) -> None:
        record = HEAD.pack(kind, link, t, len(payload)) + payload
        self._parts.append(record + CRC.pack(zlib.crc32(record)))
        if not self._in_block:
            self.first_t = t
        self._in_block += 1
        self.records += 1
        self.last_t = t

    def cut(self) -> "Block | None":
        """Return the records since the last cut as one block with the new digest of the chain; None without any."""
        self._settle()
        if not self._parts:
            return None
        raw = b"".join(self._parts)
        self.digest = chain(self.digest, raw)
        block = Block(raw, self.digest, self._in_block, self.first_t, self.last_t)
        self._parts, self._in_block = [], 0
        return block


def _event_payload(event: Event) -> tuple[int, str, bytes]:
    if isinstance(event, Sent):
        return SENT, event.link, event.data
    if isinstance(event, Tick):
        return TICK, "", b""
    if isinstance(event, LinkUp):
        return LINK_UP, event.link, b""
    if isinstance(event, LinkDown):
        return LINK_DOWN, event.link, event.reason.encode()
    if isinstance(event, ClockAnchor):
        return ANCHOR, "", json.dumps([event.utc_ns, event.boot_id, event.synchronised]).encode()
    if isinstance(event, OperatorCommand):
        return OPERATOR, "", json.dumps([event.command, event.who, event.detail]).encode()
    if isinstance(event, StoreFault):
        return STORE_FAULT, "", event.reason.encode()
    raise TypeError(f"{type(event).__name__} is written through its own branch")


def read_records(raw: bytes, *, check: bool = True) -> Iterator[Record]:
    """Yield the records of a whole journal (all blocks joined).

    `check=False` ignores wrong CRCs, to find the effect of a damaged record.

    Raises:
        JournalError: the CRC of a record is wrong, the journal ends inside a record, or a record cannot be decoded.
    """
    links: list[str] = []
    offset, index = 0, 0
    size = len(raw)
    head, unpack, unpack_crc, crc32 = HEAD.size, HEAD.unpack_from, CRC.unpack_from, zlib.crc32
    while offset < size:
        if size - offset < head + CRC.size:
            raise JournalError("the journal ends inside this record", record=index)
        kind, link, t, length = unpack(raw, offset)
        end = offset + head + length
        if end + CRC.size > size:
            raise JournalError("wrong length, or the journal ends inside this record", record=index)
        if check and crc32(raw[offset:end]) != unpack_crc(raw, end)[0]:
            raise JournalError(f"wrong CRC (kind {kind}, t {t} ns)", record=index)
        payload = raw[offset + head : end]
        try:
            if kind == HEADER:
                header = read_header(payload)
                links = [x.name for x in header.plan.links]
                yield Record(index, header=header)
            elif kind == EFFECT:
                yield Record(index, effect=payload.decode())
            else:
                yield Record(index, event=_event(kind, links[link] if link != NO_LINK else "", t, payload))
        except FormatError as error:
            raise JournalError(str(error), record=index) from error
        except (ValueError, LookupError, TypeError, SettingError) as error:
            raise JournalError(f"cannot be decoded: {error}", record=index) from error
        offset = end + CRC.size
        index += 1


def _event(kind: int, link: str, t: int, payload: bytes) -> Event:
    if kind == RECEIVED:
        return Received(t, link, payload)
    if kind == SENT:
        return Sent(t, link, payload)
    if kind == TICK:
        return Tick(t)
    if kind == LINK_UP:
        return LinkUp(t, link)
    if kind == LINK_DOWN:
        return LinkDown(t, link, payload.decode())
    if kind == ANCHOR:
        return ClockAnchor(t, *json.loads(payload))
    if kind == OPERATOR:
        return OperatorCommand(t, *json.loads(payload))
    if kind == STORE_FAULT:
        return StoreFault(t, payload.decode())
    raise ValueError(f"unknown kind {kind}")
