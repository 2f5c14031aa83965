"""A run as it is declared now: its record, with what the newest declaration of the run says otherwise.

The row of a run is sealed and stays as it was at the start.  A correction adds a record `declaration` with the id of
the run (`daq.laboratory.declarations`).  Every question about a run's sample, product, lot, operator and plan goes
through this module, so that all of them get the declaration in force.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from daq.adapters.store.rows import RunRecord

KIND: Final = "declaration"
DECLARED: Final = ("sample", "product", "lot", "sampled_at", "operator")
"""Columns of a run that a declaration replaces."""

SELECT: Final = (
    "SELECT runs.*, runs.rowid AS place, declared.data AS declared FROM runs LEFT JOIN records AS declared "
    "ON declared.kind = 'declaration' AND declared.id = runs.id AND declared.revision = "
    "(SELECT max(revision) FROM records WHERE kind = 'declaration' AND id = runs.id)"
)
"""Runs with the JSON text of their newest declaration; `declared_run` reads its rows."""
_OF_START: Final = (
    "SELECT runs.*, runs.rowid AS place, NULL AS declared FROM runs "
    "WHERE NOT EXISTS (SELECT 1 FROM records WHERE kind = 'declaration' AND id = runs.id)"
)
_OF_KEY: Final = (
    "SELECT runs.*, runs.rowid AS place, declared.data AS declared FROM record_keys AS k JOIN runs ON runs.id = k.id "
    "JOIN records AS declared ON declared.kind = 'declaration' AND declared.id = runs.id AND declared.revision = "
    "(SELECT max(revision) FROM records WHERE kind = 'declaration' AND id = runs.id) "
    "WHERE k.kind = 'declaration' AND k.name = ? AND k.value = ?"
)
NUMBER: Final = (
    "SELECT 1 + max(count(*), coalesce(max(replicate), 0)) FROM "
    "(SELECT id, replicate FROM runs WHERE sample = ?1 AND method_id = ?2 "
    "UNION SELECT r.id, r.replicate FROM record_keys AS k CROSS JOIN runs AS r ON r.id = k.id "
    "WHERE k.kind = 'declaration' AND k.name = 'sample' AND k.value = ?1 AND r.method_id = ?2)"
)
"""Number of the next run of a sample (?1) by a method (id, ?2).

It is above the number of all runs that were started for the sample, or are declared to be of it, and above theirs.  So
no number is given twice, also where a correction gave a run to another sample.
"""
_ORDER: Final = " ORDER BY began_utc_ns DESC, runs.rowid DESC LIMIT ?"

#: Runs a SELECT and returns its rows.
Query = Callable[[str, Sequence[Any]], list[dict[str, Any]]]


def newest_runs(query: Query, limit: int, *, instrument: str, sample: str, product: str) -> list[RunRecord]:
    """Return at most `limit` (-1: all) runs, newest first, of one instrument, sample or product where given."""
    # Each condition is a term of its own, because SQLite uses no index for a term that a parameter can switch off.
    own = {"runs.instrument": instrument} if instrument else {}
    named = {name: value for name, value in (("sample", sample), ("product", product)) if value}
    if not named:
        where = " WHERE runs.instrument = ?" if instrument else ""
        return [declared_run(row) for row in query(SELECT + where + _ORDER, [*own.values(), limit])]
    asked = own | {f"runs.{name}": value for name, value in named.items()}
    found = query(_OF_START + "".join(f" AND {c} = ?" for c in asked) + _ORDER, [*asked.values(), limit])
    # The runs that are declared otherwise now are few; they are found by their keys.
    (first, value), *others = named.items()
    more = own | {f"json_extract(declared.data, '$.{name}')": value for name, value in others}
    terms = "".join(f" AND {c} = ?" for c in more)
    found += query(_OF_KEY + terms + _ORDER, [first, value, *more.values(), limit])
    found.sort(key=lambda row: (row["began_utc_ns"], row["place"]), reverse=True)
    return [declared_run(row) for row in (found if limit < 0 else found[:limit])]


def kept_again(query: Query, run_id: str) -> list[Any] | None:
    """Return the kept values of a run as computed under its newest declaration; None where those of the run hold."""
    found = query("SELECT data FROM records WHERE kind = ? AND id = ? ORDER BY revision DESC LIMIT 1", [KIND, run_id])
    return json.loads(found[0]["data"])["kept"] if found else None


def declared_run(row: Mapping[str, Any]) -> RunRecord:
    """Return the record of a row of `SELECT`, as declared now: the header has the corrected plan."""
    values = dict(row)
    text = values.pop("declared")
    del values["place"]
    if text is not None:
        declared = json.loads(text)
        values |= {name: declared[name] for name in DECLARED}
        if declared.get("not_authorised"):
            values["attribution"] = "not_authorised"
        if declared["plan"] is not None:
            values["header"] = json.dumps(json.loads(values["header"]) | {"plan": declared["plan"]})
    return run_record(values)


def run_record(row: Mapping[str, Any]) -> RunRecord:
    """Return the record of a row of `runs`."""
    return RunRecord(**{**row, "companions": tuple(json.loads(row["companions"])), "simulated": bool(row["simulated"])})
