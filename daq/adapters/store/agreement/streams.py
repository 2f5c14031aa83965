"""Compare the last number of each stream with the results and with the audit trail."""

from collections.abc import Iterator, Mapping

from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement
from daq.adapters.store.agreement.stored import Stored


def of_streams(stored: Stored, audited: Mapping[tuple[int, str], int], *, quick: bool) -> Iterator[Disagreement]:
    """Compare each row of `streams`.

    Args:
        stored: the database.
        audited: last number of each epoch and stream in the audit entries that were read.
        quick: those were only the newest entries, so that a stream may have an older last number.
    """
    rows = {(row["epoch"], row["stream"]): row["last"] for row in stored.rows("SELECT * FROM streams")}
    for key in sorted(rows.keys() | audited.keys(), key=str):
        epoch, stream = key
        name, here, there = f"{stream} (epoch {epoch})", rows.get(key), audited.get(key)
        if there is None and quick:
            sql = "SELECT max(sequence) AS last FROM results WHERE epoch = ? AND stream = ?"
            found = stored.one(sql, epoch, stream)
            there = None if found is None else found["last"]
        if here != there:
            field = ROW if here is None or there is None else "last"
            found_here = NOTHING if here is None else here
            yield Disagreement("streams", name, field, found_here, there, "the last number in the audit trail")
