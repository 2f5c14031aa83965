"""The notes of persons about a run."""

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, found_by
from daq.laboratory.kinds import NOTE


def notes_of(reader: Reader, run_id: str) -> list[StoredRecord]:
    """Return the notes of persons about a run, oldest first."""
    found = found_by(reader, NOTE, "run", run_id, limit=-1)
    return sorted(found, key=lambda note: note.audit_seq)
