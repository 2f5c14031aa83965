"""Load files as models.  All errors of a file are reported together, each with its key and what to do."""

import difflib
import types
import typing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from daq.core.errors import DaqError, SettingError, SettingErrors, coded
from daq.methods.files.fields import KeyedError, Model
from daq.textfiles.toml_file import read_toml

if TYPE_CHECKING:
    from daq.methods.files.daemon import Daemon
    from daq.methods.files.fluid import Fluid
    from daq.methods.files.instrument import Instrument
    from daq.methods.files.product import Product
    from daq.methods.files.recipe import Method
    from daq.methods.files.works import Works

M = TypeVar("M", bound=Model)
MOST_ERRORS: Final = 50
"""Greatest number of errors of one file that are explained; a file of another kind has one in every line."""
SHOWN: Final = 80
"""Greatest number of characters of a wrong value that an error shows."""
DISCRIMINATORS: Final = ("kind", "says")
"""Keys whose value selects the variant of a table."""
_TAG_ERRORS: Final = ("union_tag_not_found", "union_tag_invalid")


def load_method(path: Path | str) -> "Method":
    """Return the method in a TOML file.

    Raises:
        SettingError: the file cannot be read or is not TOML.
        SettingErrors: all errors in it.
    """
    from daq.methods.files.recipe import Method

    return _load(Method, path)


def load_product(path: Path | str) -> "Product":
    """Return the product in a TOML file; errors as in `load_method`."""
    from daq.methods.files.product import Product

    return _load(Product, path)


def load_instrument(path: Path | str) -> "Instrument":
    """Return the instrument in a TOML file; errors as in `load_method`."""
    from daq.methods.files.instrument import Instrument

    return _load(Instrument, path)


def load_fluid(path: Path | str) -> "Fluid":
    """Return the reference fluid in a TOML file; errors as in `load_method`."""
    from daq.methods.files.fluid import Fluid

    return _load(Fluid, path)


def load_works(path: Path | str) -> "Works":
    """Return the head of the works' reports in a TOML file; errors as in `load_method`."""
    from daq.methods.files.works import Works

    return _load(Works, path)


def load_daemon(path: Path | str) -> "Daemon":
    """Return the daemon's configuration in a TOML file; errors as in `load_method`."""
    from daq.methods.files.daemon import Daemon

    return _load(Daemon, path)


def parse(model: type[M], data: dict[str, Any], file: str = "") -> M:
    """Return the model of tables that were read.

    Raises:
        SettingErrors: all errors, in the order of the model.
    """
    try:
        return model.model_validate(data).from_file(file)
    except ValidationError as error:
        found = error.errors(include_url=False)
        raise SettingErrors([_explained(model, data, e, file) for e in found[:MOST_ERRORS]]) from None


def _load(model: type[M], path: Path | str) -> M:
    return parse(model, read_toml(path), str(path))


class Shown:
    """A wrong value in an error: its `repr` is short and has no character that a terminal could act on."""

    def __init__(self, value: Any) -> None:
        self.value = value

    def __repr__(self) -> str:
        if isinstance(self.value, int) and self.value.bit_length() > 4 * SHOWN:  # Python refuses to print such numbers
            return "a number of more than 80 digits"
        if isinstance(self.value, str):
            return _short(repr(self.value[: SHOWN + 1]))
        try:
            return _short(repr(self.value))
        except (ValueError, RecursionError):  # numbers in it are too long, or tables in it too deep
            return type(self.value).__name__


def _short(text: str) -> str:
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}..."


def _explained(model: type[Model], data: Any, error: ErrorDetails, file: str) -> SettingError:
    steps = _walk(data, error["loc"], error["type"])
    key = _joined(steps)
    if error["type"] in _TAG_ERRORS:
        key = ".".join(part for part in (key, error["ctx"]["discriminator"].strip("'")) if part)
    cause = error.get("ctx", {}).get("error")
    if isinstance(cause, KeyedError):
        key = ".".join(part for part in (key, cause.key) if part)
    found = SettingError(_reason(model, steps, error), file=file, key=key)
    if file:
        return found  # the sentence of a screen has no place for the file
    if isinstance(cause, DaqError) and cause.code:
        return coded(found, cause.code, **{**cause.values, "field": key})
    ctx = {name: str(value) for name, value in error.get("ctx", {}).items() if isinstance(value, (str, int, float))}
    code = FIELD_CODES.get(error["type"], "")
    return coded(found, code, **ctx, field=key) if code else found


def _walk(data: Any, loc: tuple[int | str, ...], kind: str) -> list[int | str]:
    """Return the part of pydantic's location that exists in the file (without names of variants)."""
    steps: list[int | str] = []
    here = data
    for i, part in enumerate(loc):
        last = i == len(loc) - 1
        if isinstance(here, dict) and (part in here or (last and kind == "missing")):
            here = here.get(part)
            steps.append(part)
        elif isinstance(here, (list, tuple)) and isinstance(part, int) and part < len(here):
            here = here[part]
            steps.append(part)
    return steps


def _joined(steps: list[int | str]) -> str:
    out = ""
    for step in steps:
        out += f"[{step}]" if isinstance(step, int) else f".{step}" if out else step
    return out


def _reason(model: type[Model], steps: list[int | str], error: ErrorDetails) -> str:
    kind, ctx, given = error["type"], error.get("ctx", {}), Shown(error.get("input"))
    if kind == "value_error":
        return str(ctx["error"])
    if kind == "missing":
        what = _description(_of_kind(_table_of(model, steps[:-1]), error), str(steps[-1])) if steps else ""
        return "is missing" + (f": {what}" if what else "; add it")
    if kind == "extra_forbidden":
        return _unknown_key(_table_of(model, steps[:-1]), steps, error)
    if kind in _TAG_ERRORS:
        tags = ", ".join(repr(tag) for variant in _table_of(model, steps) for tag in _tags(variant))
        return f"must be one of {tags}; here {Shown(ctx['tag'])!r}" if "tag" in ctx else f"is missing: one of {tags}"
    if kind == "tuple_type" and isinstance(given.value, dict):
        return f"is one table; write [[{_joined(steps)}]] instead of [{_joined(steps)}]"
    if kind in _BOUNDS:
        return f"must be {_BOUNDS[kind]} {next(iter(ctx.values())):g}; here {given!r}"
    sentence = _SENTENCES.get(kind)
    if sentence is None:
        return error["msg"]
    return sentence.format(given=given, msg=error["msg"], **ctx)


_BOUNDS: Final = {
    "greater_than": "greater than",
    "greater_than_equal": "at least",
    "less_than": "less than",
    "less_than_equal": "at most",
}
FIELD_CODES: Final = {
    "missing": "field_missing",
    "string_too_short": "field_empty",
    "string_too_long": "field_too_long",
    "string_type": "field_no_text",
    "string_unicode": "field_no_text",
    "string_pattern_mismatch": "field_characters",
    "int_type": "no_whole_number",
    "int_from_float": "no_whole_number",
    "int_parsing_size": "no_whole_number",
    "literal_error": "field_no_choice",
    "greater_than_equal": "field_too_small",
    "less_than_equal": "field_too_great",
    "too_short": "field_too_few",
    "too_long": "field_too_many",
    "extra_forbidden": "field_unknown",
    "union_tag_invalid": "field_no_choice",
}
"""Codes of wrong values in an order that a person gives, by pydantic's kind of the error."""
FIELD_VALUES: Final = {
    "field_too_long": "max_length",
    "field_too_small": "ge",
    "field_too_great": "le",
    "field_too_few": "min_length",
    "field_too_many": "max_length",
}
"""The value of the sentence of a code beside `field`."""
_SENTENCES: Final = {
    "bool_type": "must be true or false, without quotes",
    "int_type": "must be a whole number; here {given!r}",
    "float_type": "must be a number without quotes; here {given!r}",
    "string_type": "must be text in quotes; here {given!r}",
    "tuple_type": "must be a list in [brackets]; here {given!r}",
    "dict_type": "must be a table of key = value; here {given!r}",
    "model_type": "must be a table of key = value; here {given!r}",
    "string_too_short": "must not be empty",
    "string_too_long": "has more than {max_length} characters",
    "string_unicode": "is not valid text: it holds half of a character (a lone surrogate); enter it again",
    "int_parsing_size": "is too large a number",
    "int_from_float": "must be a whole number; here {given!r}",
    "finite_number": "must be a finite number; here {given!r}",
    "literal_error": "must be one of {expected}; here {given!r}",
    "string_pattern_mismatch": "{given!r} has characters that are not allowed here"
    " (/, +, # and leading spaces or $ are not)",
    "too_short": "has the wrong number of entries: {msg}",
    "too_long": "has the wrong number of entries: {msg}",
    "missing_argument": "has the wrong number of entries: {msg}",
}


def _unknown_key(table: list[type[BaseModel]], steps: list[int | str], error: ErrorDetails) -> str:
    key = str(steps[-1]) if steps else ""
    if key.lower() in ("password", "passwd", "secret", "token"):
        return "is not a key here; secrets are only referred to, in [mqtt] password = { file = ... }"
    elsewhere = [repr(tag) for t in table if key in t.model_fields for tag in _tags(t)]
    known = sorted({f for t in _of_kind(table, error) for f in t.model_fields})
    if elsewhere:
        return f"belongs to {' or '.join(elsewhere)}; known keys here: {', '.join(known)}"
    near = difflib.get_close_matches(key[:SHOWN], known, 1)
    hint = f"; did you mean {near[0]!r}?" if near else f"; known keys: {', '.join(known)}" if known else ""
    return f"is not a known key{hint}"


def _table_of(model: type[Model], steps: list[int | str]) -> list[type[BaseModel]]:
    """Return the models that are possible at a place of the file: several if it has variants."""
    here: list[Any] = [model]
    for step in steps:
        following: list[Any] = []
        for kind in here:
            arguments = typing.get_args(kind)
            if arguments:  # the items of a list have the type of the first argument, those of a table of the second
                following += _variants(arguments[1] if typing.get_origin(kind) is dict else arguments[0])
            elif isinstance(kind, type) and issubclass(kind, BaseModel) and step in kind.model_fields:
                following += _variants(kind.model_fields[str(step)].annotation)
        here = following
    return [k for k in here if isinstance(k, type) and issubclass(k, BaseModel)]


def _variants(annotation: Any) -> list[Any]:
    """Return the types of an annotation: the parts of a union; lists and tables unchanged."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return _variants(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        return [v for a in typing.get_args(annotation) for v in _variants(a)]
    return [annotation]


def _of_kind(table: list[type[BaseModel]], error: ErrorDetails) -> list[type[BaseModel]]:
    """Return the variants that pydantic's location names, or all if it names none."""
    named = [t for t in table if set(_tags(t)) & set(error["loc"])]
    return named or table


def _tags(variant: type[BaseModel]) -> tuple[str, ...]:
    """Return the values of the key that selects a variant."""
    fields = [variant.model_fields[key] for key in DISCRIMINATORS if key in variant.model_fields]
    return tuple(tag for field in fields for tag in typing.get_args(field.annotation))


def _description(table: list[type[BaseModel]], key: str) -> str:
    return next((t.model_fields[key].description or "" for t in table if key in t.model_fields), "")
