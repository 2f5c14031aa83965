"""The values of a file as a flat list for a screen: keys with dots, and times with their unit."""

import types
from collections.abc import Iterator
from dataclasses import fields
from typing import Annotated, Any, Final, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator

from daq.core.extent import Extent
from daq.methods.files.fields import duration

SECOND: Final = 1e9
_EXTENT: Final = frozenset(field.name for field in fields(Extent))


def flat(value: Any, kind: Any, key: str = "") -> Iterator[tuple[str, str]]:
    """Yield the single values of nested tables and lists, each with its key: ``limits[0].low``.

    Args:
        value: values of a file as JSON.
        kind: their type: a model, or the annotation of a field.  A time, which a model holds in ns, is given in s.
        key: of `value`.
    """
    kinds = _kinds(kind)
    if isinstance(value, dict) and Extent in kinds and value.keys() <= _EXTENT:
        yield key, _length(value)
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield from flat(inner, _below(kinds, name), f"{key}.{name}" if key else str(name))
    elif isinstance(value, list) and any(isinstance(x, dict | list) for x in value):
        for number, inner in enumerate(value):
            yield from flat(inner, _below(kinds, number), f"{key}[{number}]")
    elif value is not None:
        if duration in kinds and isinstance(value, int):
            yield key, f"{value / SECOND:g} s"
        else:
            yield key, ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _length(value: dict[str, Any]) -> str:
    """Return a length of time, of turning or of readings."""
    if value.get("readings") is not None:
        return f"{value['readings']} readings"
    return f"{value['revolutions']:g} rev" if value.get("revolutions") else f"{value.get('ns', 0) / SECOND:g} s"


def _kinds(kind: Any) -> frozenset[Any]:
    """Return the types that an annotation stands for, without unions; `duration` for a time in ns."""
    if get_origin(kind) is Annotated:
        inner, *about = get_args(kind)
        if any(isinstance(one, BeforeValidator) and one.func is duration for one in about):
            return frozenset({duration})
        return _kinds(inner)
    if get_origin(kind) in (Union, types.UnionType):
        return frozenset(found for one in get_args(kind) for found in _kinds(one))
    return frozenset({kind})


def _below(kinds: frozenset[Any], name: str | int) -> Any:
    """Return the annotation of a field of a table, or of an element of a list; `Any` where it is not known."""
    for kind in kinds:
        given = get_args(kind)
        if isinstance(kind, type) and issubclass(kind, BaseModel) and name in kind.model_fields:
            field = kind.model_fields[str(name)]
            return Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
        if given and isinstance(name, int) and get_origin(kind) in (tuple, list):
            return given[0]
        if (
            given
            and isinstance(name, str)
            and isinstance(get_origin(kind), type)
            and issubclass(get_origin(kind), dict)
        ):
            return given[-1]
    return Any
