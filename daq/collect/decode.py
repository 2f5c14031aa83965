"""From a message's bytes to the row it becomes, or the reason why it cannot become one.  Pure.

What a later version of the daemon adds within ``v1`` is no fault: only what a column needs is looked at, the whole
event is kept as it came.
"""

import hashlib
import math
import re
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, Literal

from pydantic_core import from_json

Kind = Literal["result", "curve", "live"]
SEQUENCE_DIGITS: Final = 15
_SOURCE: Final = re.compile(r"urn:uuid:([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})#([1-9][0-9]{0,8})")
_TYPES: Final[dict[str, Kind]] = {"lab.result.v1": "result", "lab.curve.v1": "curve"}
_SHOWN: Final = 60


class NotAnEventError(ValueError):
    """A message that cannot be stored as an event; its text says why."""


@dataclass(frozen=True, slots=True)
class Event:
    """A result or a flow curve.

    Attributes:
        id: unique within `source`.
        prefix: the topic's levels up to ``lab/v1``, where the daemon listens for requests.
        digest: SHA-256 of the bytes as they came.
        text: these bytes as text.
        cells: values of the columns `RESULT_COLUMNS` or `CURVE_COLUMNS`, in their order.
    """

    kind: Literal["result", "curve"]
    source: str
    id: uuid.UUID
    time: datetime
    stream: str
    sequence: int
    prefix: str
    topic: str
    digest: bytes
    text: str
    cells: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Live:
    """One live value."""

    time: datetime
    source: str
    instrument: str
    run: str | None
    channel: str
    value: float | None
    unit: str
    quality: str


RESULT_COLUMNS: Final = (
    "simulated", "sample", "product", "lot", "fill", "replicate", "sampled_at", "quantity", "value", "unit", "reported",
    "quality", "validity", "claim", "outcome", "expanded", "k", "corrected", "verdict", "limit_low", "limit_high",
    "limit_unit", "geometry", "speed", "torque_percent", "temperature", "shear_rate", "method", "method_version", "run",
    "instrument", "serial", "operator", "began", "ended", "verification", "supersedes",
)  # fmt: skip
CURVE_COLUMNS: Final = ("simulated", "sample", "product", "lot", "run", "instrument", "result", "chosen")


def decode(topic: str, payload: bytes) -> Event:
    """The event in a message on a result or curve topic.

    Raises:
        NotAnEventError: it is none, or not one that this version understands.
    """
    prefix, kind = split(topic)
    text, event = _json(payload)
    if event.get("specversion") != "1.0":
        raise NotAnEventError("specversion is not 1.0: this is no CloudEvents 1.0 message in structured JSON")
    type_ = _text(event, "type")
    if _TYPES.get(type_) != kind:
        known = " and ".join(_TYPES)
        raise NotAnEventError(f"type {_cut(type_)} on a {kind} topic: this version of daq knows {known}")
    source = _text(event, "source")
    if _SOURCE.fullmatch(source) is None:
        raise NotAnEventError(f"source {_cut(source)} is not urn:uuid: with a database's identity, # and its epoch")
    data = event.get("data")
    if not isinstance(data, dict):
        raise NotAnEventError("data is not a JSON object")
    return Event(
        kind=kind,  # type: ignore[arg-type]  # live has no type above
        source=source,
        id=_uuid(_text(event, "id"), "id"),
        time=_moment(_text(event, "time"), "time"),
        stream=_text(event, "subject"),
        sequence=_sequence(event.get("sequence")),
        prefix=prefix,
        topic=topic,
        digest=hashlib.sha256(payload).digest(),
        text=text,
        cells=_result(data) if kind == "result" else _curve(data),
    )


def decode_live(topic: str, payload: bytes) -> list[Live]:
    """The values in a message on a live topic; errors as `decode`."""
    split(topic)
    _, message = _json(payload)
    time, source = _moment(_text(message, "time"), "time"), _text(message, "source")
    database_of(source)
    instrument, run = _text(message, "instrument"), _optional(message, "run")
    return [
        Live(
            time, source, instrument, run, name, _number(v, "value"), _text(v, "unit", empty=True), _text(v, "quality")
        )
        for name, v in _part(message, "values").items()
        if isinstance(v, dict)
    ]


def split(topic: str) -> tuple[str, Kind]:
    """Prefix and kind of a topic ``{prefix}/{kind}/{instrument}``."""
    parts = topic.split("/")
    if len(parts) < 3 or parts[-2] not in ("result", "curve", "live"):
        raise NotAnEventError(f"topic {_cut(topic)} is none of result, curve and live")
    return "/".join(parts[:-2]), parts[-2]  # type: ignore[return-value]  # one of the three


def database_of(source: str) -> tuple[str, int]:
    """A database's identity and epoch, of a `source` that was decoded."""
    found = _SOURCE.fullmatch(source)
    if found is None:
        raise NotAnEventError(f"source {_cut(source)} is not urn:uuid: with a database's identity, # and its epoch")
    return found[1], int(found[2])


def lenient_moment(text: Any) -> datetime | None:
    """A time as `text`; None where it is none, or has no offset and so cannot be placed."""
    try:
        return _moment(text, "") if isinstance(text, str) else None
    except NotAnEventError:
        return None


def _result(d: dict[str, Any]) -> tuple[Any, ...]:
    sample, method, origin = _part(d, "sample"), _part(d, "method"), _part(d, "origin")
    conditions, verdict = _part(d, "conditions"), _part(d, "verdict")
    uncertainty, corrected, geometry = _part(d, "uncertainty"), _part(d, "corrected"), _part(d, "geometry")
    limits = _objects(verdict.get("limits") or [], "data.verdict.limits")
    # Of several limits, the one that decided.
    limit = next((v for v in limits if v.get("verdict") == verdict.get("verdict")), limits[0] if limits else {})
    sampled, supersedes = _optional(sample, "sampled_at"), _optional(d, "supersedes")
    began, ended = _optional(origin, "began"), _optional(origin, "ended")
    replicate = sample.get("replicate")
    if replicate is not None and (not isinstance(replicate, int) or isinstance(replicate, bool)):
        raise NotAnEventError("data.sample.replicate is not a whole number")
    return (
        _flag(d, "simulated"),
        _text(sample, "id"),
        _optional(sample, "product"),
        _optional(sample, "lot"),
        _optional(sample, "fill"),
        replicate,
        lenient_moment(sampled),
        _text(d, "quantity"),
        _number(d, "value"),
        _text(d, "unit", empty=True),
        _optional(d, "reported"),
        _text(d, "quality"),
        _text(d, "validity"),
        _text(d, "claim"),
        _text(d, "outcome"),
        _number(uncertainty, "expanded"),
        _number(uncertainty, "k"),
        _number(corrected, "value"),
        _text(verdict, "verdict"),
        _number(limit, "low"),
        _number(limit, "high"),
        _optional(limit, "unit"),
        _optional(geometry, "name"),
        _number(conditions, "speed"),
        _number(conditions, "torque_percent"),
        _number(conditions, "temperature"),
        _number(conditions, "shear_rate"),
        _text(method, "id"),
        _text(method, "version"),
        _text(origin, "run"),
        _text(origin, "instrument"),
        _optional(origin, "serial"),
        _optional(origin, "operator"),
        None if began is None else _moment(began, "data.origin.began"),
        None if ended is None else _moment(ended, "data.origin.ended"),
        isinstance(d.get("verification"), dict),
        None if supersedes is None else _uuid(supersedes, "data.supersedes"),
    )


def _curve(d: dict[str, Any]) -> tuple[Any, ...]:
    sample = _part(d, "sample")
    return (
        _flag(d, "simulated"),
        _text(sample, "id"),
        _optional(sample, "product"),
        _optional(sample, "lot"),
        _text(d, "run"),
        _text(d, "instrument"),
        _uuid(_text(d, "result"), "data.result"),
        _optional(_part(d, "curve"), "chosen"),
    )


def _json(payload: bytes) -> tuple[str, dict[str, Any]]:
    try:
        text = payload.decode("utf-8")
        # A third of the standard library's time, and neither NaN nor half a surrogate pair gets through.
        value = from_json(payload, allow_inf_nan=False)
    except UnicodeDecodeError:
        raise NotAnEventError("it is not UTF-8 text") from None
    except ValueError as error:
        raise NotAnEventError(f"it is not JSON: {error}") from None
    if not isinstance(value, dict):
        raise NotAnEventError("it is not a JSON object")
    return text, value


def _part(d: dict[str, Any], key: str) -> dict[str, Any]:
    """A table of the data; empty where it is missing or null."""
    value = d.get(key)
    if value is None:
        return {}
    if not isinstance(value, dict):
        raise NotAnEventError(f"{key} is not a JSON object")
    return value


def _objects(value: Any, key: str) -> list[dict[str, Any]]:
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        raise NotAnEventError(f"{key} is not a list of JSON objects")
    return value


def _text(d: dict[str, Any], key: str, *, empty: bool = False) -> str:
    value = d.get(key)
    if not isinstance(value, str) or (not value and not empty):
        raise NotAnEventError(f"{key} is {'missing' if value is None else 'not text, or empty'}")
    return value


def _optional(d: dict[str, Any], key: str) -> str | None:
    value = d.get(key)
    if value is not None and not isinstance(value, str):
        raise NotAnEventError(f"{key} is not text")
    return value


def _number(d: dict[str, Any], key: str) -> float | None:
    value = d.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise NotAnEventError(f"{key} is not a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise NotAnEventError(f"{key} is larger than a number can be")
    return number


def _flag(d: dict[str, Any], key: str) -> bool:
    value = d.get(key)
    if not isinstance(value, bool):
        raise NotAnEventError(f"{key} is not true or false")
    return value


def _uuid(text: str, key: str) -> uuid.UUID:
    try:
        return uuid.UUID(text)
    except ValueError:
        raise NotAnEventError(f"{key} {_cut(text)} is not a UUID") from None


def _moment(text: str, key: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise NotAnEventError(f"{key} {_cut(text)} does not say its offset from UTC")
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
