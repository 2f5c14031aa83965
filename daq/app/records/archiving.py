"""Move the journals of old runs to archives: write, read back, check, record, remove; and go on after a kill.

A journal is removed only after its archive was synced, read back from its medium, checked against the audit trail, and
recorded.  A kill between any two steps leaves the journal in the database, or in such an archive.
"""

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from daq.adapters.paths import make_private
from daq.adapters.store.agreement.one_run import of_run_and_records
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.archiving.checking import ArchivedRun, archived_runs, check_contents, differences
from daq.adapters.store.archiving.contents import write_contents
from daq.adapters.store.archiving.files import (
    SUFFIX,
    Step,
    no_step,
    put_in_place,
    put_on_medium,
    sha256_of,
    write_digest,
)
from daq.adapters.store.archiving.finding import Journaled, journaled_runs, still_journaled
from daq.adapters.store.archiving.medium import disks_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import found_by
from daq.core.errors import SettingError, StoreError
from daq.laboratory.archives import MOST_RUNS, Archive
from daq.laboratory.archives import ArchivedRun as RunOfRecord
from daq.laboratory.kinds import LAST

#: Carries out an act by its name, and returns its outcome.
Perform = Callable[[str, dict[str, Any]], dict[str, Any]]

PART: Final = ".part"
_NEXT: Final = "\x01"
"""An id followed by it comes after that id and before all others."""


@dataclass(frozen=True, slots=True)
class Held:
    """A recorded archive: name and size (bytes) of its file."""

    file: str
    bytes: int


@dataclass(slots=True)
class Outcome:
    """The archives that hold journals now, and what was left."""

    archives: list[Held] = field(default_factory=list)
    removed: int = 0
    left: dict[str, str] = field(default_factory=dict)
    """Runs that stay, with the reason."""
    notes: list[str] = field(default_factory=list)
    """Sentences about files of an earlier attempt."""


def refuse_same_medium(database: Path, folder: Path) -> None:
    """Refuse a folder on the file system or on a disk of the database.

    Raises:
        SettingError: it is on the same one, or is no folder.
    """
    try:
        if not folder.is_dir():
            raise SettingError("is no folder", file=str(folder), key="--to")
        own, other = database.stat().st_dev, folder.stat().st_dev
    except OSError as error:
        raise SettingError(f"cannot be read: {error.strerror}", file=str(folder), key="--to") from error
    shared = sorted(disks_of(own) & disks_of(other))
    if own == other or shared:
        where = "file system" if own == other else f"disk ({', '.join(shared)})"
        raise SettingError(
            f"is on the {where} of the database: a disk that fails would take the journals and their only other "
            "copy; mount another medium, or accept this with --same-medium",
            file=str(folder),
            key="--to",
        )


def recorded_archives(reader: Reader) -> Iterator[Archive]:
    """Yield the records of all archives, oldest first; one at a time, because each names up to a thousand runs."""
    after = ""
    while found := found_by(reader, Archive.kind, "id", after, LAST, limit=1):
        yield Archive.model_validate(found[0].data, strict=False)
        after = found[0].id + _NEXT


class Archiving:
    """Moves journals of one database into one folder."""

    def __init__(
        self,
        database: Path,
        folder: Path,
        perform: Perform,
        *,
        say: Callable[[str], None] = no_step,
        step: Step = no_step,
        most_runs: int = MOST_RUNS,
    ) -> None:
        """Take the places.

        Args:
            database: the database; it is only read here.
            folder: the folder of the archives.
            perform: carries out the acts `archive_add` and `archive_remove`.
            say: is called with a line for a person after each archive.
            step: is called with a name before each step, for tests of crashes.
            most_runs: largest number of runs in one archive.
        """
        self._database, self._folder, self._perform = database, folder, perform
        self._say, self._step, self._most = say, step, most_runs
        self._done = Outcome()
        self._recorded: set[str] = set()
        """Files of the recorded archives."""

    def run(self, before_utc_ns: int) -> Outcome:
        """Archive every ended run that began before a time (UTC ns), and finish what an earlier attempt began.

        Raises:
            DaqError: an archive cannot be written or recorded; the journals that it holds stay in the database.
            OSError: the folder cannot be written.
        """
        with Reader(self._database) as reader:
            source, _ = reader.identity()
            self._prefix = f"daq-{source[:8]}-"
            for left in self._folder.glob(f"{self._prefix}*{PART}"):
                left.unlink()
            self._finish(reader)
            for batch in self._batches(reader, before_utc_ns):
                self._archive(batch)
        return self._done

    def _finish(self, reader: Reader) -> None:
        """Remove the journals of recorded archives that an earlier attempt did not remove."""
        for archive in recorded_archives(reader):
            self._recorded.add(archive.file)
            if not still_journaled(reader, [r.run for r in archive.runs]):
                continue
            path = self._folder / archive.file
            if path.exists() and sha256_of(path, from_medium=True) == archive.sha256:
                self._remove(archive)
            else:
                why = "was changed" if path.exists() else "is not in this folder"
                self._done.notes.append(f"{archive.file} {why}; its runs are archived again")

    def _batches(self, reader: Reader, before_utc_ns: int) -> Iterator[list[Journaled]]:
        """Yield runs whose stored data agree, at most `most_runs` at a time, in the order of their start."""
        after = (-(2**63), "")
        with Stored(self._database) as stored:
            while found := journaled_runs(reader, after, before_utc_ns, self._most):
                after = (found[-1].began_utc_ns, found[-1].run)
                good = []
                for run in found:
                    with stored.snapshot():
                        wrong = next(of_run_and_records(stored, run.run), None)
                    if wrong is None:
                        good.append(run)
                    else:
                        self._done.left[run.run] = wrong.text
                if good:
                    yield good

    def _archive(self, batch: list[Journaled]) -> None:
        runs = [r.run for r in batch]
        path = self._adoptable(runs)
        if path is None:
            path = self._folder / f"{self._prefix}{self._next_number():04}{SUFFIX}"
            sha256, held = self._write(path, runs)
        else:
            with Stored(path) as stored:
                held = archived_runs(stored)
            sha256 = sha256_of(path, from_medium=True)
            write_digest(path, sha256, self._step)
            self._sync_folder()
        archive = Archive(
            id=path.name.removesuffix(SUFFIX),
            file=path.name,
            folder=str(path.parent),
            sha256=sha256,
            bytes=path.stat().st_size,
            first=_day(batch[0].began_utc_ns),
            last=_day(batch[-1].began_utc_ns),
            runs=tuple(RunOfRecord(run=r.run, blocks=r.blocks, digest=r.digest) for r in held),
        )
        self._step("record")
        self._perform("archive_add", archive.model_dump(mode="json"))
        self._recorded.add(archive.file)
        self._remove(archive)

    def _write(self, path: Path, runs: list[str]) -> tuple[str, list[ArchivedRun]]:
        """Write and check an archive, and give it its name; return its digest and its runs."""
        part = path.with_name(path.name + PART)
        self._step("part")
        make_private(part)
        self._step("write")
        write_contents(self._database, part, runs)
        sha256 = put_on_medium(part, path.name, self._step)
        self._step("check")
        held = self._checked(part, path.name, runs)
        put_in_place(part, path, sha256, self._step)
        return sha256, held

    def _checked(self, path: Path, name: str, runs: list[str]) -> list[ArchivedRun]:
        """Return the runs of an archive that agrees with itself and with the audit trail of the database.

        Raises:
            StoreError: it does not; the text names the first difference.
        """
        with Stored(path) as archive, Stored(self._database) as database:
            wrong = [f.say for f in check_contents(archive, name) if not f.ok]
            wrong += [d.text for d in differences(database, archive)]
            held = archived_runs(archive)
        if not wrong and [r.run for r in held] != runs:
            wrong = ["it does not hold the runs that were to be archived"]
        if wrong:
            raise StoreError(f"{name} is not used, and every journal stays in the database: {wrong[0]}")
        return held

    def _adoptable(self, runs: list[str]) -> Path | None:
        """Return an archive of an earlier attempt that was not recorded, and that holds just these runs as they are."""
        for path in sorted(self._folder.glob(f"{self._prefix}*{SUFFIX}")):
            if path.name in self._recorded or any(path.name in note for note in self._done.notes):
                continue
            try:
                held = self._checked(path, path.name, runs)
            except (StoreError, ValueError, TypeError, LookupError, AttributeError):
                held = []
            if held and self._whole(path, runs):
                return path
            self._done.notes.append(f"{path.name} is left over from an earlier attempt; it can be deleted")
        return None

    def _whole(self, path: Path, runs: Iterable[str]) -> bool:
        """Return whether an archive has every audit entry about its runs that the database has by now."""
        with Stored(path) as archive, Stored(self._database) as database:
            return all(
                [e.stored.seq for e in archive.entries(run)] == [e.stored.seq for e in database.entries(run)]
                for run in runs
            )

    def _next_number(self) -> int:
        names = self._recorded | {p.name for p in self._folder.glob(f"{self._prefix}*{SUFFIX}")}
        numbers = [n.removeprefix(self._prefix).removesuffix(SUFFIX) for n in names if n.startswith(self._prefix)]
        return max((int(n) for n in numbers if n.isdecimal()), default=0) + 1

    def _sync_folder(self) -> None:
        self._step("sync folder")
        descriptor = os.open(self._folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def _remove(self, archive: Archive) -> None:
        """Remove the journals that an archive holds."""
        removed, left = 0, 1
        while left:
            self._step("remove")
            done = self._perform("archive_remove", {"archive": archive.id, "sha256": archive.sha256})
            removed, left = removed + done["removed"], done["left"]
        # Without its runs, which are up to a thousand in each of the archives.
        self._done.archives.append(Held(archive.file, archive.bytes))
        self._done.removed += removed
        self._say(f"{archive.file}: {removed} journals of runs from {archive.first} to {archive.last}")


def _day(utc_ns: int) -> str:
    return datetime.fromtimestamp(utc_ns / 1e9, UTC).astimezone().date().isoformat()
