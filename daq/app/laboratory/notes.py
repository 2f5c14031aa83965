"""The act that adds a person's note to a run."""

import uuid
from typing import Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, new
from daq.app.laboratory.named_runs import find_run
from daq.laboratory.declarations import Note, NoteText
from daq.methods.files.fields import Model, NeededLabel


class AddNote(Model):
    """Order to add a note to a run, whose id may be given as for `find_run`."""

    run: NeededLabel
    text: NoteText


def add(laboratory: Laboratory, order: AddNote) -> dict[str, Any]:
    """Add a note to a run, which may still be in progress; notes are never changed.

    Raises:
        SettingError: there is no such run.
    """
    with laboratory.reader() as reader:
        run = find_run(reader, order.run).id
    note = Note(id=str(uuid.uuid4()), run=run, text=order.text)
    laboratory.change(new(note, "note_added"))
    return {"id": note.id, "run": run}


ACTS: Final = (Act("note_add", AddNote, "measure", add),)
