"""Start a new epoch of the database's source, so that sequence numbers in use elsewhere are not used again."""

# ruff: noqa: D102 - the docstring of each class says what its `apply` does

import json
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.outgoing.delivery import SETTLE_RETAINED
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import BY_STATE, CHANGED, PENDING, SETTLED
from daq.adapters.store.steps import add_audit

EPOCH_STARTED: Final = "epoch_started"
"""Kind of the audit entry."""


@dataclass(frozen=True, slots=True)
class EpochStart:
    """The start of an epoch because the database was put back.

    Attributes:
        epoch: the new epoch.
        reason: the sign that the database was put back.
        utc_ns: time, UTC ns.
        waiting: results that wait for the broker with numbers of former epochs, by stream: first and last number, and
            their count.  Other results may have the same numbers.
    """

    epoch: int
    reason: str
    utc_ns: int
    waiting: dict[str, dict[str, int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class StartEpoch(Transaction[EpochStart]):
    """Start an epoch of at least `least`, with an audit entry.

    Results that were numbered before keep their numbers.  Retained messages that wait are settled, because the broker
    has newer ones.
    """

    kind: ClassVar[str] = "start_epoch"
    reason: str
    least: int
    utc_ns: int

    def apply(self, access: Access) -> EpochStart:
        before, access.epoch = access.epoch, max(access.epoch + 1, self.least)
        access.run("meta", "UPDATE meta SET epoch = ?, restored_utc_ns = ?", (access.epoch, self.utc_ns))
        access.run(
            "settle",
            f"{SETTLE_RETAINED} AND last_error <> ?",
            (SETTLED, CHANGED),
        )
        rows = access.run(
            "waiting",
            f"SELECT m.stream, min(m.sequence), max(m.sequence), count(DISTINCT m.result) {BY_STATE} "
            f"WHERE {PENDING} GROUP BY m.stream ORDER BY m.stream",
        ).fetchall()
        waiting = {row[0]: {"first": row[1], "last": row[2], "results": row[3]} for row in rows}
        detail = {"epoch": access.epoch, "before": before, "reason": self.reason, "waiting": waiting}
        add_audit(access, self.utc_ns, "daemon", EPOCH_STARTED, access.source, detail)
        return EpochStart(access.epoch, self.reason, self.utc_ns, waiting)


def last_epoch_start(reader: Reader) -> EpochStart | None:
    """Return the newest start of an epoch because of a database that was put back, or None."""
    # The text is not a parameter, so that SQLite can use the partial index `audit_epochs`.
    sql = f"SELECT utc_ns, detail FROM audit WHERE what = '{EPOCH_STARTED}' ORDER BY seq DESC LIMIT 1"  # noqa: S608
    rows = reader.query(sql)
    if not rows:
        return None
    detail: dict[str, Any] = json.loads(rows[0]["detail"])
    return EpochStart(detail["epoch"], detail["reason"], rows[0]["utc_ns"], detail["waiting"])


def ended_regularly(reader: Reader) -> bool:
    """Return whether the newest daemon ended with its regular end; true where none has started yet."""
    rows = reader.query(
        "SELECT what FROM audit WHERE subject = 'daemon' AND what IN ('daemon_started', 'daemon_stopped') "
        "ORDER BY seq DESC LIMIT 1"
    )
    return not rows or rows[0]["what"] == "daemon_stopped"
