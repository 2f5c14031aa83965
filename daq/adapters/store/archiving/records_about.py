"""The records that runs refer to: what is declared, signed, reported and checked about them, and their equipment."""

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

Named = tuple[str, str]
"""Kind and id of a record."""

OF_THE_RUN: Final = ("declaration", "run_configuration", "checklist", "repeat_cause")
"""Kinds of records whose id is that of the run."""
BY_THE_RUN: Final = ("note", "signature", "doubt_decision", "reportable", "report")
"""Kinds of records that have the id of the run as a key."""
BY_THE_SAMPLE: Final = ("transcribed",)
"""Kinds of records that have the sample of the run as a key."""

_BY_KEY: Final = (
    "SELECT kind, id FROM record_keys WHERE kind = ?1 AND name = ?2 AND value IN (SELECT value FROM json_each(?3))"
)
_BY_ID: Final = "SELECT DISTINCT kind, id FROM records WHERE kind = ?1 AND id IN (SELECT value FROM json_each(?2))"
_SAMPLES: Final = (
    "SELECT sample FROM runs WHERE id IN (SELECT value FROM json_each(?1)) UNION SELECT json_extract(data, '$.sample') "
    "FROM records WHERE kind = 'declaration' AND id IN (SELECT value FROM json_each(?1))"
)
_INSTRUMENTS: Final = (
    "SELECT instrument FROM runs WHERE id IN (SELECT value FROM json_each(?1)) UNION SELECT c.value FROM runs, "
    "json_each(runs.companions) AS c WHERE runs.id IN (SELECT value FROM json_each(?1))"
)
# Geometries and probes of an instrument have its name and a slash before their own; 0 is the character after the slash.
_PIECES: Final = (
    "SELECT k.kind, k.id FROM json_each(?1) AS i CROSS JOIN record_keys AS k ON k.kind = 'equipment' AND "
    "k.name = 'piece' AND (k.value = i.value OR (k.value >= i.value || '/' AND k.value < i.value || '0'))"
)
_SAME_SERIAL: Final = (
    "SELECT k.kind, k.id FROM json_each(?1) AS p CROSS JOIN record_keys AS s ON s.kind = 'equipment' AND "
    "s.id = p.value AND s.name = 'serial' CROSS JOIN record_keys AS k ON k.kind = 'equipment' AND "
    "k.name = 'serial' AND k.value = s.value"
)
_SIGNED: Final = (
    "SELECT DISTINCT json_extract(p.value, '$.kind'), json_extract(p.value, '$.id') FROM records, "
    "json_each(records.data, '$.parts') AS p WHERE records.kind = 'signature' "
    "AND records.id IN (SELECT value FROM json_each(?1)) AND json_extract(p.value, '$.kind') <> 'result'"
)
_TEXTS: Final = (
    "SELECT 'text', json_extract(u.value, ?2) FROM records, json_each(records.data, '$.used') AS u "
    "WHERE records.kind = 'run_configuration' AND records.id IN (SELECT value FROM json_each(?1))"
)
_PRODUCTS: Final = (
    "SELECT 'product_text', json_extract(u.value, '$.id') || ' ' || json_extract(u.value, '$.version') FROM records, "
    "json_each(records.data, '$.used') AS u WHERE records.kind = 'run_configuration' "
    "AND json_extract(u.value, '$.what') = 'product' AND records.id IN (SELECT value FROM json_each(?1))"
)


@dataclass(frozen=True, slots=True)
class Subjects:
    """Instruments, companions included, and samples of runs."""

    instruments: frozenset[str] = frozenset()
    samples: frozenset[str] = frozenset()

    def __or__(self, other: "Subjects") -> "Subjects":
        """Return the instruments and samples of both."""
        return Subjects(self.instruments | other.instruments, self.samples | other.samples)


def subjects_of(source: sqlite3.Connection, runs: str) -> Subjects:
    """Return the instruments and samples of runs; `runs` is a JSON list of ids."""
    found = (frozenset(row[0] for row in source.execute(sql, (runs,)) if row[0]) for sql in (_INSTRUMENTS, _SAMPLES))
    return Subjects(*found)


def records_about(source: sqlite3.Connection, runs: str, subjects: Subjects) -> list[Named]:
    """Return the records that runs, and their instruments and samples, refer to; `runs` is a JSON list of their ids.

    Persons are not among them: a run, a signature and an audit entry have the name of who acted.
    """
    found: dict[Named, None] = {}

    def add(sql: str, *parameters: str) -> list[str]:
        rows = [(kind, ident) for kind, ident in source.execute(sql, parameters) if ident]
        found.update(dict.fromkeys(rows))
        return [ident for _, ident in rows]

    for kind in OF_THE_RUN:
        add(_BY_ID, kind, runs)
    for kind in BY_THE_RUN:
        idents = add(_BY_KEY, kind, "run", runs)
        if kind in ("reportable", "report"):
            add(_BY_KEY, "signature", kind, _list(idents))
    signatures = _list(ident for kind, ident in found if kind == "signature")
    add(_BY_ID, "suspension", signatures)
    add(_SIGNED, signatures)
    samples = _list(sorted(subjects.samples))
    add(_BY_ID, "sample", samples)
    for kind in BY_THE_SAMPLE:
        add(_BY_KEY, kind, "sample", samples)
    instruments = _list(sorted(subjects.instruments))
    add(_BY_ID, "fitted", instruments)
    add(_SAME_SERIAL, _list(add(_PIECES, instruments)))
    for place in ("$.text", "$.file_text"):
        add(_TEXTS, runs, place)
    add(_PRODUCTS, runs)
    return list(found)


def _list(values: Iterable[str]) -> str:
    return json.dumps(list(values))
