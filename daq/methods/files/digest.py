"""Identify a method by a digest of its content, independent of the layout of its file."""

import hashlib
import json
import types
from collections.abc import Callable
from dataclasses import is_dataclass
from typing import Annotated, Any, Literal, TypeVar, Union, cast, get_args, get_origin

from daq.core.errors import StoreError
from daq.methods.files.fields import Model

M = TypeVar("M", bound=Model)


def digest(model: Model) -> str:
    """Return the SHA-256 (hex) of the canonical JSON of a validated model.

    Its keys are sorted, units converted, and defaults filled in.  A key that is not given and has no default (None) is
    left out, so that a new key in a later version does not change the digest of older methods.  White space, comments,
    the order of keys and spellings such as ``60``, ``"60 s"`` and ``"1 min"`` do not change it.
    """
    return hashlib.sha256(canonical(model).encode("ascii")).hexdigest()


def canonical(model: Model) -> str:
    """Return the canonical JSON text of a model, which `digest` hashes and the store keeps of a method."""
    return json.dumps(
        model.model_dump(mode="json", exclude_none=True), sort_keys=True, separators=(",", ":"), ensure_ascii=True
    )


def restored(model: type[M], text: str) -> M:
    """Return the model of a canonical text.

    The validators of a file read what people write, for example ``1 min``.  A canonical text has the values that they
    made, so it is taken as it is, and compared with the text of the model that it gives.

    Raises:
        StoreError: the text is not that of such a model.
    """
    try:
        given = json.loads(text)
        made: M = _value(model, given)
        again = json.loads(canonical(made))
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise StoreError(f"a stored {model.__name__.lower()} cannot be read: {error}") from None
    if not _has(again, given):
        raise StoreError(f"a stored {model.__name__.lower()} was written by another version of the program")
    return made


def _value(annotation: Any, given: Any) -> Any:
    """Return a JSON value as a value of an annotated type."""
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _value(inner[0], given)
    if origin in (Union, types.UnionType):
        bare = (get_args(a)[0] if get_origin(a) is Annotated else a for a in inner)
        fitting = next((a for a in bare if a is not types.NoneType and _fits(a, given)), None)
        return given if fitting is None else _value(fitting, given)
    if origin is tuple:
        return tuple(_value(inner[0], each) for each in given)
    if origin is dict:
        return {name: _value(inner[1], each) for name, each in given.items()}
    if not _is_model(annotation):
        return given
    if is_dataclass(annotation):
        return cast("Callable[..., Any]", annotation)(**given)
    fields = annotation.model_fields
    values = {name: _value(fields[name].annotation, each) for name, each in given.items()}
    return annotation.model_construct(**values)


def _fits(annotation: Any, given: Any) -> bool:
    """Return whether a JSON value can be one of a type that is written as an object or a list."""
    if isinstance(given, dict):
        if isinstance(annotation, type) and issubclass(annotation, Model):
            # Models of one key differ by the words that a field of theirs can have, such as the kind of a geometry.
            words = {n: get_args(f.annotation) for n, f in annotation.model_fields.items() if _is_literal(f.annotation)}
            return all(given[name] in allowed for name, allowed in words.items() if name in given)
        return _is_model(annotation) or get_origin(annotation) is dict
    return isinstance(given, list) and get_origin(annotation) is tuple


def _is_literal(annotation: Any) -> bool:
    return get_origin(annotation) is Literal


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and (issubclass(annotation, Model) or is_dataclass(annotation))


def _has(made: Any, given: Any) -> bool:
    """Return whether a value has everything that was given; a newer program may add fields with their defaults."""
    if isinstance(given, dict):
        return isinstance(made, dict) and all(name in made and _has(made[name], each) for name, each in given.items())
    if isinstance(given, list):
        return isinstance(made, list) and len(made) == len(given) and all(map(_has, made, given))
    return type(made) is type(given) and bool(made == given)
