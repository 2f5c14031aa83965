"""The flat variant of a nested payload, for connectors that cannot read nested JSON."""

import typing
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, create_model

Scalar = str | float | int | bool | None


@dataclass(frozen=True, slots=True)
class Column:
    """One key of the flat variant and where its value stands in the nested one."""

    name: str
    path: tuple[str, ...]
    annotation: Any
    description: str | None
    is_list: bool = False


def columns(model: type[BaseModel], skip: frozenset[str], *, optional: bool = False) -> Iterator[Column]:
    """All columns of a model, the names of nested ones joined by ``_``; tables of free keys are named in `skip`."""
    for name, field in model.model_fields.items():
        if name in skip:
            continue
        kind: Any = field.annotation
        options = [a for a in typing.get_args(kind) if a is not type(None)]
        nested = next((k for k in (kind, *options) if isinstance(k, type) and issubclass(k, BaseModel)), None)
        if typing.get_origin(kind) is list:
            yield Column(name, (name,), str | None if optional else str, field.description, is_list=True)
        elif nested is not None:
            is_missing = optional or nested is not kind
            for c in columns(nested, skip, optional=is_missing):
                yield Column(f"{name}_{c.name}", (name, *c.path), c.annotation, c.description, c.is_list)
        else:
            yield Column(name, (name,), kind | None if optional else kind, field.description)


def flat_model(name: str, found: list[Column], more: dict[str, Any]) -> type[BaseModel]:
    """A pydantic model of the flat variant: exactly these columns and `more` of them."""
    fields: dict[str, Any] = {c.name: (c.annotation, Field(description=c.description)) for c in found}
    config = ConfigDict(extra="forbid", allow_inf_nan=False)
    return create_model(name, __config__=config, **fields, **more)


def flattened(data: dict[str, Any], found: list[Column]) -> dict[str, Scalar]:
    """The flat variant of nested JSON data; what hangs on a part that is null is null, lists are joined by ``; ``."""
    return {c.name: _value(data, c) for c in found}


def _value(data: dict[str, Any], column: Column) -> Scalar:
    here: Any = data
    for part in column.path:
        if here is None:
            return None
        here = here[part]
    if column.is_list and here is not None:
        return "; ".join(str(v["text"]) if isinstance(v, dict) else str(v) for v in here)
    return typing.cast("Scalar", here)
