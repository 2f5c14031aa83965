"""Notes of a run with their English sentences, from the pipeline and from journals of every format."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from daq.core.effects import Noted
from daq.core.encoding import decode
from daq.core.remarks import Parameter, Remark
from daq.methods.parts.statement import statement_of


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """A note of a run with its English sentence."""

    t: int
    """Monotonic time, ns."""
    code: str
    text: str
    parameters: dict[str, Parameter] = field(default_factory=dict)
    """Of the sentence; empty for a note of a journal of format 1, which has the text alone."""


def written_note(note: Noted) -> WrittenNote:
    """Return a note with its sentence."""
    found = statement_of(Remark(note.code, note.parameters))
    return WrittenNote(note.t, note.code, found.text, found.parameters)


def recorded_note(values: Mapping[str, Any]) -> WrittenNote:
    """Return a note from the values in a journal.

    Raises:
        SettingError: a key is unknown or missing, or its value has the wrong type.
        UnknownSentenceError: the code is not one of the catalogue.
    """
    if "text" in values:  # format 1
        return decode(WrittenNote, values)
    return written_note(decode(Noted, values))
