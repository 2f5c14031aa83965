"""The leaves of a payload's model: their paths, types, units and descriptions, and their values in the JSON data.

A path is written with dots, as in ``conditions.speed``.  ``[]`` means the elements of a list, ``*`` for the
keys of a free table, and ``[decisive]`` for the one limit that decided the verdict.
"""

import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any, Final, Literal

from pydantic import BaseModel
from pydantic.fields import FieldInfo

Kind = Literal["text", "number", "whole", "flag", "moment", "identity", "texts", "part", "parts", "table"]
EACH: Final = "[]"
ANY_KEY: Final = "*"
DECISIVE: Final = "[decisive]"
_KINDS: Final[tuple[tuple[type, Kind], ...]] = (
    (bool, "flag"),
    (int, "whole"),
    (float, "number"),
    (str, "text"),
    (BaseModel, "part"),
    (dict, "table"),
)
_FORMATS: Final[dict[str, Kind]] = {"date-time": "moment", "uuid": "identity"}


class WrongPartError(ValueError):
    """Data that are not of the model's shape; the text names the path."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """One place of a payload.

    Attributes:
        path: its keys, from the data on.
        is_nullable: whether it, or a part on the way to it, may be null.
        unit: UCUM code of a number, or "".
        unit_at: where the code is instead, as a path in the data; "" where it is fixed.
        field: as the model declares it.
    """

    path: tuple[str, ...]
    kind: Kind
    is_nullable: bool
    unit: str
    unit_at: str
    field: FieldInfo

    @property
    def dotted(self) -> str:
        """Return the path as text."""
        return dotted(self.path)

    @property
    def description(self) -> str:
        """Return the model's description, where the name does not say all; otherwise ""."""
        return self.field.description or ""


def dotted(path: Sequence[str]) -> str:
    """Return a path as text."""
    return ".".join(path).replace("." + EACH, EACH).replace("." + DECISIVE, DECISIVE)


def steps_of(path: str) -> tuple[str, ...]:
    """Return the keys of a path written with dots."""
    return tuple(path.replace("[", ".[").split("."))


def leaves(model: type[BaseModel]) -> Iterator[Leaf]:
    """Give every place of a model that holds no further part, in the model's order."""
    for name, field in model.model_fields.items():
        leaf = _leaf(name, field)
        nested = _nested(field.annotation)
        if nested is None:
            yield leaf
            continue
        way = {"part": (name,), "parts": (name, EACH), "table": (name, ANY_KEY)}[leaf.kind]
        for inner in leaves(nested):
            yield replace(inner, path=(*way, *inner.path), is_nullable=leaf.is_nullable or inner.is_nullable)


def leaf_at(model: type[BaseModel], path: str) -> Leaf:
    """Return the place that a path leads to, which may be a part.

    Raises:
        KeyError: the model has no such place.
    """
    *way, last = steps_of(path)
    here, is_nullable = model, False
    for step in way:
        if step in (EACH, ANY_KEY):
            continue
        if step == DECISIVE:
            is_nullable = True
            continue
        nested = _nested(here.model_fields[step].annotation)
        if nested is None:
            raise KeyError(path)
        is_nullable = is_nullable or _leaf(step, here.model_fields[step]).is_nullable
        here = nested
    found = _leaf(last, here.model_fields[last])
    return replace(found, path=steps_of(path), is_nullable=is_nullable or found.is_nullable)


def value_at(data: Mapping[str, Any], path: Sequence[str]) -> Any:
    """Return the value at a path of JSON data; None where it or a part on the way is missing or null.

    Raises:
        WrongPartError: what should be a part or a list of parts is something else.
    """
    here: Any = data
    above: Mapping[str, Any] = data
    for i, step in enumerate(path):
        if here is None:
            return None
        if step in (DECISIVE, EACH):
            if not isinstance(here, list) or not all(isinstance(x, dict) for x in here):
                raise WrongPartError(f"data.{dotted(path[:i])} is not a list of JSON objects")
            if step == EACH:
                return [value_at(x, path[i + 1 :]) for x in here]
            first = here[0] if here else None
            here = next((x for x in here if x.get("verdict") == above.get("verdict")), first)
            continue
        if not isinstance(here, dict):
            raise WrongPartError(f"data.{dotted(path[:i])} is not a JSON object")
        above, here = here, here.get(step)
    return here


def unit_of(model: type[BaseModel], name: str) -> str:
    """Return the UCUM code of a model's number whose unit is fixed."""
    return leaf_at(model, name).unit


UNITS: Final = (
    "UCUM code by path in data of each number whose unit is fixed; the schema names the key with the code of the others"
)
"""Description of a table made by `fixed_units`."""


def fixed_units(model: type[BaseModel]) -> dict[str, str]:
    """Return the UCUM code of every number of a model whose unit is fixed, by its path."""
    return {leaf.dotted: leaf.unit for leaf in leaves(model) if leaf.unit}


def _leaf(name: str, field: FieldInfo) -> Leaf:
    kinds = _alternatives(field.annotation)
    more = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
    kind = _FORMATS.get(str(more.get("format"))) or _kind(next(k for k in kinds if k is not type(None)))
    is_nullable = type(None) in kinds
    return Leaf((name,), kind, is_nullable, str(more.get("unit", "")), str(more.get("unit_at", "")), field)


def _alternatives(annotation: Any) -> tuple[Any, ...]:
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return typing.get_args(annotation)
    return (annotation,)


def _kind(annotation: Any) -> Kind:
    origin = typing.get_origin(annotation)
    if origin is tuple or origin is list:
        return "parts" if _nested(annotation) is not None else "texts"
    if origin is Literal:
        annotation = type(typing.get_args(annotation)[0])
    plain = origin if isinstance(origin, type) else annotation
    if issubclass(plain, Enum):
        plain = str
    return next(kind for base, kind in _KINDS if issubclass(plain, base))


def _nested(annotation: Any) -> type[BaseModel] | None:
    """Return the model inside an annotation, of a part, of a list's elements or of a table's values; otherwise None."""
    for kind in _alternatives(annotation):
        inner = typing.get_args(kind)[-1:] if typing.get_origin(kind) is dict else typing.get_args(kind)[:1]
        for found in (kind, *inner):
            if isinstance(found, type) and issubclass(found, BaseModel):
                return found
    return None
