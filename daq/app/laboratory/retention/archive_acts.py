"""Acts on archives: record one that was written and checked, and remove the journals that it holds."""

from datetime import UTC, date, datetime
from typing import Any, Final

from daq.adapters.store.archiving.finding import began_of, still_journaled
from daq.adapters.store.archiving.removing import RUNS_AT_ONCE, RemoveJournals
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, new
from daq.app.setup.periods import earlier, later
from daq.core.errors import SettingError
from daq.laboratory.archives import Archive, Digest
from daq.methods.files.fields import Model, NeededLabel

RUNS_AN_ACT: Final = 200
"""Largest number of runs whose journals one act removes."""


class RemoveArchived(Model):
    """Order to remove journals that an archive holds.

    Attributes:
        archive: id of the archive.
        sha256: digest of its file, as it was read back from its medium just before.
    """

    archive: NeededLabel
    sha256: Digest


def refuse_too_early(journals: str | None, before: date, utc_ns: int) -> None:
    """Refuse to archive runs that started before a day, where the period of `[retention] journals` is not over.

    Args:
        journals: the period, None where the daemon's file has none.
        before: the first day whose runs stay.
        utc_ns: the present time.

    Raises:
        SettingError: the text names the day from which it is allowed.
    """
    if journals is None:
        raise SettingError(
            "no journal leaves the database, because daemon.toml has no period: write journals = '5 years' below "
            "[retention]",
            key="retention.journals",
        )
    today = datetime.fromtimestamp(utc_ns / 1e9, UTC).astimezone().date()
    if later(before, journals) > today:
        raise SettingError(
            f"journals of runs before {before} may leave the database from {later(before, journals)} on; today only "
            f"those before {earlier(today, journals)} may (retention.journals in daemon.toml is {journals!r})",
            key="--before",
        )


def add_archive(laboratory: Laboratory, order: Archive) -> dict[str, Any]:
    """Record an archive that was written, read back and checked.

    Raises:
        SettingError: a run is too young, or its journal in the database is another one.
        StoreError: an archive of this name is recorded already.
    """
    _refuse_young(laboratory, [r.run for r in order.runs])
    with laboratory.reader() as reader:
        for r in order.runs:
            if reader.journal_digest(r.run) != r.digest:
                raise SettingError(f"run {r.run} has another journal in the database than in {order.file}", key="runs")
    laboratory.change(new(order, "archive_added"))
    return {"archive": order.id}


def remove_archived(laboratory: Laboratory, order: RemoveArchived) -> dict[str, Any]:
    """Remove the next journals that an archive holds, and return the numbers of removed and of remaining ones.

    Raises:
        SettingError: there is no such archive, or its file was changed.
        StoreError: a journal in the database is another one than in the archive; nothing is removed.
    """
    archive = laboratory.get(Archive, order.archive).record
    if archive.sha256 != order.sha256:
        raise SettingError(f"{archive.file} was changed: its record has the SHA-256 {archive.sha256}", key="sha256")
    digests = {r.run: r.digest for r in archive.runs}
    with laboratory.reader() as reader:
        left = still_journaled(reader, digests)
    _refuse_young(laboratory, left)
    removed, wanted = 0, left[:RUNS_AN_ACT]
    # Blocks of runs in progress are stored between two of these transactions.
    for begin in range(0, len(wanted), RUNS_AT_ONCE):
        runs = tuple((run, digests[run]) for run in wanted[begin : begin + RUNS_AT_ONCE])
        done = RemoveJournals(archive.id, runs, laboratory.clock.utc_ns(), laboratory.who)
        removed += laboratory.store.submit(done).result()
    return {"archive": archive.id, "removed": removed, "left": len(left) - removed}


def _refuse_young(laboratory: Laboratory, runs: list[str]) -> None:
    """Refuse runs whose period is not over; errors as in `refuse_too_early`."""
    with laboratory.reader() as reader:
        began = began_of(reader, runs)
    for run in runs:
        if run not in began:
            raise SettingError(f"there is no run {run}", key="runs")
    if not began:
        return
    newest = datetime.fromtimestamp(max(began.values()) / 1e9, UTC).astimezone().date()
    before = date.fromordinal(newest.toordinal() + 1)
    refuse_too_early(laboratory.catalogue.daemon.retention.journals, before, laboratory.clock.utc_ns())


ACTS: Final = (
    Act("archive_add", Archive, "administer", add_archive, always=True),
    Act("archive_remove", RemoveArchived, "administer", remove_archived, always=True),
)
