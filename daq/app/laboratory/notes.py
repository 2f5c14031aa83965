"""The act that adds a person's note to a run."""

import uuid
from typing import Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, new
from daq.core.errors import SettingError
from daq.laboratory.declarations import Note, NoteText
from daq.methods.files.fields import Model, NeededLabel


class AddNote(Model):
    """Order to add a note to a run."""

    run: NeededLabel
    text: NoteText


def add(laboratory: Laboratory, order: AddNote) -> dict[str, Any]:
    """Add a note to a run, which may still be in progress; notes are never changed.

    Raises:
        SettingError: there is no such run.
    """
    with laboratory.reader() as reader:
        if reader.run_as_started(order.run) is None:
            raise SettingError(f"there is no run {order.run!r}; `daq runs` lists them")
    note = Note(id=str(uuid.uuid4()), run=order.run, text=order.text)
    laboratory.change(new(note, "note_added"))
    return {"id": note.id}


ACTS: Final = (Act("note_add", AddNote, "measure", add),)
