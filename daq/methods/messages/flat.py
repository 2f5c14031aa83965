"""The flat variant of a result, for connectors that cannot read nested JSON: a table derived from the model.

A key is the value's path, joined by ``_``.  A value inside a part that is null is null; texts of a list are joined
by ``; ``.  Of a statement its sentence and its code are given.
"""

import typing
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field, create_model
from pydantic.config import JsonDict

from daq.methods.messages.leaves import EACH, Leaf, dotted, leaf_at, leaves, value_at
from daq.methods.messages.result import ResultData

FLAT_NAME = "result-flat"
Scalar = str | float | int | bool | None
_NESTED: Final = "left to the nested form"
STATEMENTS: Final = {
    "reasons[]": ("reasons", "reason_codes"),
    "warnings[]": ("warnings", "warning_codes"),
    "advice[]": ("advice", "advice_codes"),
    "span.stop_reason": ("span_stop_reason", "span_stop_reason_code"),
    "dry_content.reason": ("dry_content_reason", "dry_content_reason_code"),
    "uncertainty.reasons[]": ("uncertainty_reasons", "uncertainty_reason_codes"),
    "corrected.reason": ("corrected_reason", "corrected_reason_code"),
    "verdict.reasons[]": ("verdict_reasons", "verdict_reason_codes"),
    "verification.reasons[]": ("verification_reasons", "verification_reason_codes"),
}
"""Keys of sentences and codes, by the path of a statement or of each of a list."""
LEFT_OUT: Final = {
    "units": "the keys of the flat form have theirs in the schema",
    "steps": f"{_NESTED}; step_count says how many steps have one",
    "uncertainty.components": _NESTED,
    "uncertainty.compared": f"{_NESTED}: for comparison in the budget only",
    "uncertainty.left_out": _NESTED,
    "corrected.left_out": _NESTED,
    "dry_content.left_out": _NESTED,
    "conditions.temperatures": f"{_NESTED}: its keys are those of the bench",
    "conditions.signals": f"{_NESTED}: its keys are those of the bench",
    "origin.companions": f"{_NESTED}: its keys are those of the bench",
    "geometry.dimensions": f"{_NESTED}: its keys are those of the geometry",
    "method.choices": f"{_NESTED}: its keys are those of the method",
    "verification.levels": _NESTED,
    "verdict.limits": "of several the one that decided is given, as limit_low, limit_high and limit_unit",
    **dict.fromkeys(STATEMENTS, "its sentences and codes are given"),
}
"""Paths of the model without a key of their own, with the reason; what is inside them is left out with them."""
_MORE: Final = {
    "limit_low": "verdict.limits[decisive].low",
    "limit_high": "verdict.limits[decisive].high",
    "limit_unit": "verdict.limits[decisive].unit",
    **{name: f"{path}.text" for path, (name, _) in STATEMENTS.items()},
    **{name: f"{path}.code" for path, (_, name) in STATEMENTS.items()},
}


def is_left_out(leaf: Leaf, paths: typing.Iterable[str]) -> bool:
    """Return whether a leaf is one of these paths or inside one of them."""
    ways = {dotted(leaf.path[: i + 1]) for i in range(len(leaf.path))}
    return not ways.isdisjoint(paths)


def _columns() -> dict[str, Leaf]:
    plain = {"_".join(x.path): x for x in leaves(ResultData) if not is_left_out(x, LEFT_OUT)}
    return plain | {name: leaf_at(ResultData, path) for name, path in _MORE.items()}


FLAT_COLUMNS: Final = _columns()


def flattened(data: dict[str, Any]) -> dict[str, Scalar]:
    """Return the flat variant of `ResultData` as JSON: always the same keys."""
    out = {name: _value(data, leaf) for name, leaf in FLAT_COLUMNS.items()}
    return out | {"step_count": len({s["step"] for s in data["steps"]})}


def _value(data: dict[str, Any], leaf: Leaf) -> Scalar:
    value = value_at(data, leaf.path)
    return "; ".join(value) if isinstance(value, list) else typing.cast("Scalar", value)


def _field(leaf: Leaf) -> Any:
    """Return type and description of a key, as `create_model` takes them."""
    kind: Any = str if leaf.kind == "texts" or EACH in leaf.path else leaf.field.annotation
    more: JsonDict = {"unit": leaf.unit} if leaf.unit else {}
    if leaf.unit_at:
        inside = leaf.path[0] == "verdict"
        more["unit_at"] = "limit_unit" if inside else leaf.unit_at
    return kind | None if leaf.is_nullable else kind, Field(
        description=leaf.description or None, json_schema_extra=more
    )


FlatResultData: Final[type[BaseModel]] = create_model(
    "FlatResultData",
    __config__=ConfigDict(extra="forbid", allow_inf_nan=False),
    **{name: _field(leaf) for name, leaf in FLAT_COLUMNS.items()},
    step_count=(int, Field(description="steps with at least one kept value")),
)


def flat_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the flat variant."""
    out = FlatResultData.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **out}
