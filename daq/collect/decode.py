"""Decoding of a message's bytes to the values of a row, or to the reason why there is no row.  Pure functions.

A later version of the daemon may add parts within ``v1``.  So only the values of the columns are checked.  The whole
event is stored unchanged beside them.
"""

import hashlib
import math
import re
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any, Final, Literal

from pydantic_core import from_json

from daq.collect.columns import CURVE, REPORTABLE, RESULT, SIGNATURE, Column
from daq.methods.messages.leaves import DECISIVE, EACH, Kind, WrongPartError, dotted, value_at
from daq.methods.messages.named import Named

StoredKind = Literal["result", "curve", "reportable", "signature"]
EventKind = Literal["result", "curve", "reportable", "signature", "live"]
SEQUENCE_DIGITS: Final = 15
"""Maximum number of digits of a sequence number."""
LARGEST_WHOLE: Final = 2**31 - 1
"""Largest whole number that a column stores."""
_SOURCE: Final = re.compile(r"urn:uuid:([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})#([1-9][0-9]{0,8})")
_TYPES: Final[dict[str, StoredKind]] = {
    "lab.result.v1": "result",
    "lab.curve.v1": "curve",
    "lab.reportable.v1": "reportable",
    "lab.signature.v1": "signature",
}
_SHOWN: Final = 60
"""Maximum number of characters of a wrong value in a message."""


class NotAnEventError(ValueError):
    """A message cannot be stored as an event; the text has the reason.  Example: its JSON is cut off."""


@dataclass(frozen=True, slots=True)
class Event:
    """A result, a flow curve, a reportable result or a signature.

    Attributes:
        id: identity, unique within `source`.
        prefix: levels of the topic up to ``lab/v1``, under which the daemon takes requests.
        digest: SHA-256 of the received bytes.
        text: the received bytes as text.
        values: values of the columns of `daq.collect.columns`, by name.
    """

    kind: StoredKind
    source: str
    id: uuid.UUID
    time: datetime
    stream: str
    sequence: int
    prefix: str
    topic: str
    digest: bytes
    text: str
    values: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Live:
    """One live value of a channel, in `unit`.

    Attributes:
        prefix: levels of the topic up to ``lab/v1``.
    """

    prefix: str
    time: datetime
    source: str
    instrument: str
    run: str | None
    channel: str
    value: float | None
    unit: str
    quality: str


def decode(topic: str, payload: bytes) -> Event:
    """Return the event in a message on the topic of a kind that is stored.

    Raises:
        NotAnEventError: the message is not an event that this version understands.
    """
    prefix, kind, stream = split(topic)
    text, event = _json(payload)
    if event.get("specversion") != "1.0":
        raise NotAnEventError("specversion is not 1.0: this is not a CloudEvents 1.0 message in structured JSON")
    type_ = _text(event.get("type"), "type")
    if _TYPES.get(type_) != kind:
        known = ", ".join(_TYPES)
        raise NotAnEventError(f"type {_cut(type_)} on a {kind} topic: this version of daq knows {known}")
    source = _text(event.get("source"), "source")
    if _SOURCE.fullmatch(source) is None:
        raise NotAnEventError(f"source {_cut(source)} is not urn:uuid: with a database's identity, # and its epoch")
    subject = _text(event.get("subject"), "subject")
    if subject != stream:
        raise NotAnEventError(f"subject {_cut(subject)} is not the last level of the topic, {_cut(stream)}")
    data = event.get("data")
    if not isinstance(data, dict):
        raise NotAnEventError("data is not a JSON object")
    return Event(
        kind=kind,
        source=source,
        id=_uuid(event.get("id"), "id"),
        time=_moment(event.get("time"), "time"),
        stream=stream,
        sequence=_sequence(event.get("sequence")),
        prefix=prefix,
        topic=topic,
        digest=hashlib.sha256(payload).digest(),
        text=text,
        values=_READINGS[type_].values(data),
    )


def decode_live(topic: str, payload: bytes) -> list[Live]:
    """Return the values in a message on a live topic; errors as `decode`."""
    prefix, _, stream = split(topic)
    _, message = _json(payload)
    time, source = _moment(message.get("time"), "time"), _text(message.get("source"), "source")
    database_of(source)
    instrument, run = _text(message.get("instrument"), "instrument"), _optional(message.get("run"), "run")
    if instrument != stream:
        raise NotAnEventError(f"instrument {_cut(instrument)} is not the last level of the topic, {_cut(stream)}")
    values = message.get("values")
    if not isinstance(values, dict):
        raise NotAnEventError("values is not a JSON object")
    return [
        Live(
            prefix=prefix,
            time=time,
            source=source,
            instrument=instrument,
            run=run,
            channel=name,
            value=_number(v.get("value"), "value"),
            unit=_text(v.get("unit"), "unit", is_empty_allowed=True),
            quality=_text(v.get("quality"), "quality"),
        )
        for name, v in values.items()
        if isinstance(v, dict)
    ]


def split(topic: str) -> tuple[str, EventKind, str]:
    """Return prefix, kind and instrument of a topic ``{prefix}/{kind}/{instrument}``.

    Raises:
        NotAnEventError: the topic is not one of a kind that is collected.
    """
    parts = topic.split("/")
    if len(parts) < 3 or parts[-2] not in ("live", *_TYPES.values()):
        raise NotAnEventError(f"topic {_cut(topic)} is none of {', '.join(_TYPES.values())} and live")
    return "/".join(parts[:-2]), parts[-2], parts[-1]  # type: ignore[return-value]  # one of them


def database_of(source: str) -> tuple[str, int]:
    """Return the database's identity and epoch in a `source`.

    Raises:
        NotAnEventError: `source` is not of the form urn:uuid:IDENTITY#EPOCH.
    """
    found = _SOURCE.fullmatch(source)
    if found is None:
        raise NotAnEventError(f"source {_cut(source)} is not urn:uuid: with a database's identity, # and its epoch")
    return found[1], int(found[2])


def lenient_moment(text: Any) -> datetime | None:
    """Return the time in `text`; None where it is no time, or has no offset from UTC."""
    try:
        return _moment(text, "")
    except NotAnEventError:
        return None


Reader = Callable[[Any], Any]
"""Function from a JSON value to the value of a column."""


@dataclass(frozen=True, slots=True)
class _Reading:
    """Readers of the columns' values from an event's data; each part is looked up once for all its columns."""

    flat: tuple[tuple[tuple[str, ...], tuple[tuple[str, str, Reader], ...]], ...]
    """Path of a part, with column name, key in the part and reader of each of its values."""
    other: tuple[tuple[str, tuple[str, ...], Reader], ...]
    """Column name, path and reader of values within lists."""

    @classmethod
    def of(cls, columns: Sequence[Column]) -> "_Reading":
        flat: dict[tuple[str, ...], list[tuple[str, str, Reader]]] = {}
        other: list[tuple[str, tuple[str, ...], Reader]] = []
        for column in columns:
            if column.named is None:
                continue
            path, reader = tuple(column.named.leaf.path), _reader(column.named, column.place)
            if DECISIVE in path or EACH in path:
                other.append((column.name, path, reader))
            else:
                flat.setdefault(path[:-1], []).append((column.name, path[-1], reader))
        return cls(tuple((part, tuple(found)) for part, found in flat.items()), tuple(other))

    def values(self, data: dict[str, Any]) -> dict[str, Any]:
        """Return the values by column name.

        Raises:
            NotAnEventError: a required value is missing, or a value has a wrong type.
        """
        out: dict[str, Any] = {}
        try:
            for part, columns in self.flat:
                # Most parts are one step deep; a plain `get` is faster than `value_at`.
                here = data.get(part[0]) if len(part) == 1 else value_at(data, part)
                if here is None:
                    here = {}
                elif not isinstance(here, dict):
                    raise NotAnEventError(f"data.{dotted(part)} is not a JSON object")
                for name, key, reader in columns:
                    out[name] = reader(here.get(key))
            for name, path, reader in self.other:
                out[name] = reader(value_at(data, path))
        except WrongPartError as error:
            raise NotAnEventError(str(error)) from None
        return out


def _reader(named: Named, key: str) -> Reader:
    """Return the reader of one column; it returns None for a missing value that the model allows, or raises."""
    leaf = named.leaf
    if leaf.kind == "part":
        return lambda value: isinstance(value, dict)
    read: Reader
    if leaf.kind == "moment":
        read = lenient_moment if named.is_lenient else partial(_moment, key=key)
    elif leaf.kind == "text":
        read = partial(_text, key=key, is_empty_allowed=named.is_lenient or leaf.is_nullable)
    else:
        read = partial(_READERS[leaf.kind], key=key)
    if leaf.is_nullable:
        return lambda value: None if value is None else read(value)

    # A text or number that the model gives a value is missing in messages from before it was added.
    given = leaf.field.default
    default = given if isinstance(given, str if leaf.kind == "text" else int) and given else None

    def needed(value: Any) -> Any:
        if value is None and default is None:
            raise NotAnEventError(f"{key} is missing")
        return read(default if value is None else value)

    return needed


def _json(payload: bytes) -> tuple[str, dict[str, Any]]:
    try:
        text = payload.decode("utf-8")
        # This parser takes a third of the standard library's time, and refuses NaN and half surrogate pairs.
        value = from_json(payload, allow_inf_nan=False)
    except UnicodeDecodeError:
        raise NotAnEventError("it is not UTF-8 text") from None
    except ValueError as error:
        raise NotAnEventError(f"it is not JSON: {error}") from None
    if not isinstance(value, dict):
        raise NotAnEventError("it is not a JSON object")
    # Most events have no such escape sequence, so that the search through all values is rare.
    if "\\u0000" in text and _has_zero_character(value):
        raise NotAnEventError("it has a text with the character U+0000, which no column can store")
    return text, value


def _has_zero_character(value: Any) -> bool:
    waiting = [value]
    while waiting:
        here = waiting.pop()
        if isinstance(here, str):
            if "\x00" in here:
                return True
        elif isinstance(here, dict):
            waiting += here.keys()
            waiting += here.values()
        elif isinstance(here, list):
            waiting += here
    return False


def _text(value: Any, key: str, *, is_empty_allowed: bool = False) -> str:
    if not isinstance(value, str) or (not value and not is_empty_allowed):
        raise NotAnEventError(f"{key} is {'missing' if value is None else 'not text, or empty'}")
    return value


def _optional(value: Any, key: str) -> str | None:
    return None if value is None else _text(value, key, is_empty_allowed=True)


def _number(value: Any, key: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise NotAnEventError(f"{key} is not a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise NotAnEventError(f"{key} is larger than the largest floating-point number")
    return number


def _whole(value: Any, key: str) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > LARGEST_WHOLE:
        raise NotAnEventError(f"{key} is not a whole number of at most {LARGEST_WHOLE}")
    return value


def _flag(value: Any, key: str) -> bool:
    if not isinstance(value, bool):
        raise NotAnEventError(f"{key} is not true or false")
    return value


def _uuid(value: Any, key: str) -> uuid.UUID:
    text = _text(value, key)
    try:
        return uuid.UUID(text)
    except ValueError:
        raise NotAnEventError(f"{key} {_cut(text)} is not a UUID") from None


def _moment(value: Any, key: str) -> datetime:
    text = _text(value, key)
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise NotAnEventError(f"{key} {_cut(text)} has no offset from UTC")
        return moment.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        if isinstance(error, NotAnEventError):
            raise
        raise NotAnEventError(f"{key} {_cut(text)} is not a time as in 2026-03-01T07:15:30.250Z") from None


def _sequence(value: Any) -> int:
    if isinstance(value, str) and value.isascii() and value.isdigit() and len(value) <= SEQUENCE_DIGITS and int(value):
        return int(value)
    raise NotAnEventError(f"sequence {_cut(str(value))} is not a number from 1 on, as text")


def _cut(text: str) -> str:
    return repr(text if len(text) <= _SHOWN else text[:_SHOWN] + "...")


_READERS: Final[dict[Kind, Callable[..., Any]]] = {
    "number": _number,
    "whole": _whole,
    "flag": _flag,
    "identity": _uuid,
}
_READINGS: Final = {
    "lab.result.v1": _Reading.of(RESULT),
    "lab.curve.v1": _Reading.of(CURVE),
    "lab.reportable.v1": _Reading.of(REPORTABLE),
    "lab.signature.v1": _Reading.of(SIGNATURE),
}
