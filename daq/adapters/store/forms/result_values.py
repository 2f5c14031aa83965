"""The JSON values of a stored result; one that was damaged is named by its run and field."""

import json
from collections.abc import Iterable, Mapping
from types import NoneType
from typing import TYPE_CHECKING, Any, Final

from daq.core.errors import StoreError, coded

if TYPE_CHECKING:
    from daq.adapters.store.rows import ResultRecord

WHOLE: Final = "data"
"""Field of a damage that leaves nothing to read: the column of the database."""
_TYPES: Final[Mapping[str, tuple[type, ...]]] = {
    **dict.fromkeys(("origin", "sample", "method", "conditions", "verdict", "units"), (dict,)),
    **dict.fromkeys(("geometry", "verification", "uncertainty", "span"), (dict, NoneType)),
    **dict.fromkeys(("quantity", "unit", "quality", "validity", "outcome"), (str,)),
    **dict.fromkeys(("faults", "reasons", "steps", "warnings"), (list,)),
    "reported": (str, NoneType),
    "value": (int, float, NoneType),
}
"""Types of the fields that the program reads by name."""
_REQUIRED: Final = (
    "origin", "sample", "method", "conditions", "verdict", "quantity", "unit", "quality", "validity", "value", "faults",
)  # fmt: skip
"""Fields that every result has."""


class DamagedResultError(StoreError, ValueError):
    """A stored result cannot be read: it was changed in the database, or the medium is damaged."""


class Values(dict[str, Any]):
    """JSON values of a result, or of an object in it; a key that is missing is a damage with a name."""

    def __init__(
        self, values: Mapping[str, Any] | Iterable[tuple[str, Any]] = (), run: str = "", path: str = ""
    ) -> None:
        """Take the values; a copy of them, as of a dataclass, names no run."""
        super().__init__(values)
        self._run, self._path = run, path

    def __missing__(self, key: str) -> Any:
        raise damaged(self._run, self._path + key)


def damaged(run: str, field: str) -> DamagedResultError:
    """Return the error of a damaged result of a run."""
    error = DamagedResultError(
        f"the stored result of run {run} is damaged in {field}; restore the database from a backup: `daq verify` lists "
        "what does not agree with the audit trail"
    )
    return coded(error, "result_damaged", run=run, field=field)


def places_of(errors: Iterable[DamagedResultError]) -> list[dict[str, str]]:
    """Return run and field of damaged results, each run once."""
    return list({str(e.values["run"]): {name: str(v) for name, v in e.values.items()} for e in errors}.values())


def values_of(result: "ResultRecord") -> dict[str, Any]:
    """Return the JSON values of a result.

    Raises:
        DamagedResultError: they cannot be read; here, or where a field is read that is missing.
    """
    try:
        found = json.loads(result.data)
    except (ValueError, RecursionError):
        raise damaged(result.run, WHOLE) from None
    if type(found) is not dict:
        raise damaged(result.run, WHOLE)
    for name, types in _TYPES.items():
        if name in found and type(found[name]) not in types:
            raise damaged(result.run, name)
    inner = {name: Values(v, result.run, f"{name}.") for name, v in found.items() if type(v) is dict}
    return Values(found | inner, result.run)


def whole_values_of(result: "ResultRecord") -> dict[str, Any]:
    """Return the JSON values of a result that has all fields; errors as in `values_of`, here also for a missing one."""
    found = values_of(result)
    for name in _REQUIRED:
        found[name]
    return found
