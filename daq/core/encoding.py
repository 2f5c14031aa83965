"""Encode frozen dataclasses as JSON values and decode them, by their types.  An error names the key of the value.

With `exact`, floats are hexadecimal text, so that they are restored bit for bit.  Where a type allows text besides a
number, the number stays a number, because hexadecimal text could not be distinguished from text.
"""

import dataclasses
import functools
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, TypeVar, cast

from daq.core.errors import SettingError

T = TypeVar("T")
NAMES: Final[Mapping[Any, str]] = {
    str: "text",
    int: "a whole number",
    bool: "true or false",
    float: "a number",
    list: "a list",
    dict: "an object",
}


def encode(value: Any, *, exact: bool = False) -> dict[str, Any]:
    """Return the dataclass `value` as JSON values."""
    return cast("dict[str, Any]", _encode(type(value), value, exact))


def decode(kind: type[T], data: Any, *, exact: bool = False, key: str = "") -> T:
    """Return the dataclass `kind` from `data`, which `encode` wrote; keys with a default may be left out.

    Raises:
        SettingError: a key is unknown or missing, or its value has the wrong type.  The error names the key, with the
            prefix `key`.
    """
    return cast("T", _decode(kind, data, exact, key))


def fields(kind: type) -> tuple[tuple[str, Any, bool], ...]:
    """Return name and type of every field of a dataclass, and whether the field is required."""
    return _fields(kind)


@functools.cache
def _fields(kind: type) -> tuple[tuple[str, Any, bool], ...]:
    hints = typing.get_type_hints(kind)
    needed = dataclasses.MISSING
    return tuple(
        (f.name, hints[f.name], f.default is needed and f.default_factory is needed) for f in dataclasses.fields(kind)
    )


@functools.cache
def options(kind: Any) -> tuple[Any, ...]:
    """Return the types that `kind` allows: the members of a union, otherwise `kind` alone."""
    return typing.get_args(kind) if typing.get_origin(kind) in (typing.Union, types.UnionType) else (kind,)


Encoder = Callable[[Any], Any]


def _encode(kind: Any, value: Any, exact: bool) -> Any:
    encoder = _encoder(kind, exact)
    return value if encoder is None else encoder(value)


@functools.cache
def _encoder(kind: Any, exact: bool) -> Encoder | None:
    """Return the function that encodes values of a type; None where they are written as they are.

    It is made once for each type, because a live view has some hundred values and is encoded several times a second.
    """
    if kind is Any:
        return None
    allowed = options(kind)
    if len(allowed) > 1:
        return _encoder_of_union(allowed, exact=exact and str not in allowed)
    if dataclasses.is_dataclass(kind):
        return _encoder_of_dataclass(cast("type", kind), exact=exact)
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is tuple and inner[-1] is not Ellipsis:
        parts = [_encoder(part, exact) for part in inner]
        return _or_none(lambda value: [v if part is None else part(v) for part, v in zip(parts, value, strict=True)])
    if origin in (list, tuple):
        return _or_none(_encoder_of_each(_encoder(inner[0], exact)))
    if origin in (dict, Mapping):
        return _or_none(_encoder_of_values(_encoder(inner[1], exact)))
    return _or_none(lambda value: float(value).hex()) if kind is float and exact else None


def _or_none(encoder: Encoder) -> Encoder:
    """Return an encoder that leaves None as it is."""
    return lambda value: None if value is None else encoder(value)


def _encoder_of_each(each: Encoder | None) -> Encoder:
    return list if each is None else lambda value: [each(v) for v in value]


def _encoder_of_values(each: Encoder | None) -> Encoder:
    return dict if each is None else lambda value: {k: each(v) for k, v in value.items()}


def _encoder_of_union(allowed: tuple[Any, ...], *, exact: bool) -> Encoder | None:
    members = [(kind, _encoder(kind, exact)) for kind in allowed]
    if all(encoder is None for _, encoder in members):
        return None

    def encode_member(value: Any) -> Any:
        for kind, encoder in members:
            if _fits(kind, value):
                return value if encoder is None else encoder(value)
        return value

    return _or_none(encode_member)


def _encoder_of_dataclass(kind: type, *, exact: bool) -> Encoder:
    parts: list[tuple[str, Encoder | None]] = []

    def encode_fields(value: Any) -> dict[str, Any]:
        if not parts:  # not before: a dataclass can have itself among the types of its fields
            parts.extend((name, _encoder(hint, exact)) for name, hint, _ in fields(kind))
        return {name: getattr(value, name) if part is None else part(getattr(value, name)) for name, part in parts}

    return _or_none(encode_fields)


def _fits(kind: Any, value: Any) -> bool:
    """Return whether `value` has the type `kind`; the parts of a container are not checked."""
    if kind is float:
        return isinstance(value, (int, float)) and not isinstance(value, bool)
    outside = typing.get_origin(kind) or kind
    if outside is typing.Literal:
        return value in typing.get_args(kind)
    return isinstance(value, outside)


def _decode(kind: Any, data: Any, exact: bool, key: str) -> Any:
    allowed = options(kind)
    if len(allowed) > 1:
        if data is None and types.NoneType in allowed:
            return None
        return _one_of([k for k in allowed if k is not types.NoneType], data, exact and str not in allowed, key)
    if dataclasses.is_dataclass(kind):
        return _dataclass(cast("type", kind), data, exact, key)
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is list:
        return list(_tuple((inner[0], ...), _expected(list, data, key), exact, key))
    if origin is tuple:
        return _tuple(inner, _expected(list, data, key), exact, key)
    if origin in (dict, Mapping):
        given = _expected(dict, data, key)
        return {k: _decode(inner[1], v, exact, _joined(key, k)) for k, v in given.items()}
    if origin is typing.Literal and (data not in inner or not isinstance(data, type(inner[0]))):
        raise SettingError(f"must be one of {', '.join(map(str, inner))}; here {data!r}", key=key)
    if origin is typing.Literal or kind is Any:
        return data
    return _float(data, exact, key) if kind is float else _expected(kind, data, key)


def _one_of(kinds: Sequence[Any], data: Any, exact: bool, key: str) -> Any:
    for kind in kinds[:-1]:
        try:
            return _decode(kind, data, exact, key)
        except SettingError:
            continue
    return _decode(kinds[-1], data, exact, key)


def _dataclass(kind: type, data: Any, exact: bool, key: str) -> Any:
    given = _expected(dict, data, key)
    known = fields(kind)
    unknown = sorted(given.keys() - {name for name, _, _ in known})
    if unknown:
        names = ", ".join(name for name, _, _ in known) or "none"
        raise SettingError(f"unknown; known: {names}", key=_joined(key, unknown[0]))
    for name, _, needed in known:
        if needed and name not in given:
            raise SettingError("is missing", key=_joined(key, name))
    return kind(**{n: _decode(hint, given[n], exact, _joined(key, n)) for n, hint, _ in known if n in given})


def _tuple(inner: tuple[Any, ...], data: list[Any], exact: bool, key: str) -> tuple[Any, ...]:
    kinds = [inner[0]] * len(data) if inner[-1] is Ellipsis else list(inner)
    if len(kinds) != len(data):
        raise SettingError(f"must have {len(kinds)} values; here {len(data)}", key=key)
    return tuple(_decode(k, v, exact, f"{key}[{i}]") for i, (k, v) in enumerate(zip(kinds, data, strict=True)))


def _float(data: Any, exact: bool, key: str) -> float:
    if exact and isinstance(data, str):
        try:
            return float.fromhex(data)
        except (ValueError, OverflowError):
            raise SettingError(f"must be a hexadecimal number; here {data!r}", key=key) from None
    if isinstance(data, int) and not isinstance(data, bool):
        try:
            return float(data)
        except OverflowError:
            raise SettingError("is too large a number", key=key) from None
    return cast("float", _expected(float, data, key))


def _expected(kind: Any, data: Any, key: str) -> Any:
    if type(data) is not kind:
        raise SettingError(f"must be {NAMES[kind]}; here {NAMES.get(type(data), 'null')}", key=key)
    return data


def _joined(key: str, name: str) -> str:
    return f"{key}.{name}" if key else name


__all__ = ["decode", "encode", "fields", "options"]
