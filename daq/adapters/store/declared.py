"""A run as it is declared now: its record, with what the newest declaration of the run says otherwise.

The row of a run is sealed and stays as it was at the start.  A correction adds a record `declaration` with the id of
the run (`daq.laboratory.declarations`).  Every question about a run's sample, product, lot, operator and plan goes
through this module, so that all of them get the declaration in force.
"""

import json
from collections.abc import Mapping
from typing import Any, Final

from daq.adapters.store.rows import RunRecord

KIND: Final = "declaration"
DECLARED: Final = ("sample", "product", "lot", "sampled_at", "operator")
"""Columns of a run that a declaration replaces."""

SELECT: Final = (
    "SELECT runs.*, declared.data AS declared FROM runs LEFT JOIN records AS declared ON declared.kind = 'declaration' "
    "AND declared.id = runs.id AND declared.revision = "
    "(SELECT max(revision) FROM records WHERE kind = 'declaration' AND id = runs.id) "
)
"""Runs with the JSON text of their newest declaration; `declared_run` reads its rows."""


def column(name: str) -> str:
    """Return the SQL expression for a column of `DECLARED` as it is declared now, in a query from `SELECT`."""
    return f"coalesce(json_extract(declared.data, '$.{name}'), runs.{name})"


def declared_run(row: Mapping[str, Any]) -> RunRecord:
    """Return the record of a row of `SELECT`, as declared now: the header has the corrected plan."""
    values = dict(row)
    text = values.pop("declared")
    if text is not None:
        declared = json.loads(text)
        values |= {name: declared[name] for name in DECLARED}
        if declared["plan"] is not None:
            values["header"] = json.dumps(json.loads(values["header"]) | {"plan": declared["plan"]})
    return run_record(values)


def run_record(row: Mapping[str, Any]) -> RunRecord:
    """Return the record of a row of `runs`."""
    return RunRecord(**{**row, "companions": tuple(json.loads(row["companions"])), "simulated": bool(row["simulated"])})
