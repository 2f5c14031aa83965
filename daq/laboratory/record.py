"""Base of all records of the laboratory."""

from typing import ClassVar

from daq.methods.files.fields import Model, NeededLabel


class Record(Model):
    """One thing of which the laboratory keeps a record.

    The store keeps each revision as JSON; time, person and reason of a change are in the revision's audit entry.
    """

    kind: ClassVar[str]
    """Name of this kind of records in the store."""
    id: NeededLabel

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return names and values of the keys by which the store finds and sorts the newest revision."""
        return ()
