"""Numbers of the runs of a span of time, over all of them, however many a list shows."""

from dataclasses import dataclass
from typing import Final

from daq.adapters.store.reading import Reader
from daq.app.records.judged.repeated_runs import repeated_between


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Numbers of runs.  `runs` is the sum of `valid`, `doubtful`, `not_valid` and `without_result`."""

    runs: int
    valid: int
    doubtful: int
    not_valid: int
    without_result: int
    outside: int
    undecided: int
    repeats: int
    """As `daq.app.records.judged.repeated_runs` decides."""
    without_product: int


_NAMES: Final = (
    "runs", "valid", "doubtful", "not_valid", "without_result", "outside", "undecided", "without_product",
)  # fmt: skip
_COUNTED: Final = (
    # As `daq.app.records.run_rows.entry` has a run: its newest result, and its product as it is declared now.
    "SELECT count(*), total(validity = 'valid'), total(validity = 'doubtful'), total(validity = 'not_valid'), "
    "total(validity IS NULL), total(verdict = 'outside'), total(verdict = 'undecided'), "
    "total(product = '') FROM (SELECT coalesce(json_extract(d.data, '$.product'), r.product) AS product, "
    "json_extract(n.data, '$.validity') AS validity, json_extract(n.data, '$.verdict.verdict') AS verdict "
    "FROM runs AS r LEFT JOIN records AS d ON d.kind = 'declaration' AND d.id = r.id AND d.revision = "
    "(SELECT max(revision) FROM records WHERE kind = 'declaration' AND id = r.id) "
    "LEFT JOIN results AS n ON n.id = (SELECT id FROM results WHERE run = r.id ORDER BY audit_seq DESC LIMIT 1) "
    "WHERE {}r.began_utc_ns BETWEEN ? AND ?)"
)


def day_counts(reader: Reader, begin_utc_ns: int, end_utc_ns: int, instrument: str = "") -> Counts:
    """Return the numbers of all runs that started in a span of time (both ends included), or of those on an instrument.

    Raises:
        StoreError: the database cannot be read.
    """
    sql = _COUNTED.format("r.instrument = ? AND " if instrument else "")
    (row,) = reader.rows(sql, [*([instrument] if instrument else []), begin_utc_ns, end_utc_ns])
    repeats = len(repeated_between(reader, begin_utc_ns, end_utc_ns, instrument))
    return Counts(repeats=repeats, **{name: int(n) for name, n in zip(_NAMES, row, strict=True)})
