"""Exceptions, split by whose fault it is, each carrying its evidence."""


class DaqError(Exception):
    """Base of every error this project raises on purpose; its text is meant for a person."""


class SettingError(DaqError):
    """A file, key or argument a person wrote is wrong.

    Example: ``method.toml: steps[0].speed: must be greater than 0``.
    """

    def __init__(self, reason: str, *, file: str = "", key: str = "") -> None:
        self.file, self.key, self.reason = file, key, reason
        super().__init__(": ".join(part for part in (file, key, reason) if part))


class DriverError(DaqError):
    """A driver broke its contract, or was asked for something its instrument cannot do."""


class LinkError(DaqError):
    """A port could not be opened, read or written.  Example: the cable was pulled."""


class StoreError(DaqError):
    """The database could not take or give what was asked.  Example: the disk is full."""


class JournalError(DaqError):
    """A journal cannot be read.  Carries the index of the first record that is damaged."""

    def __init__(self, reason: str, *, record: int) -> None:
        self.record = record
        super().__init__(f"record {record}: {reason}")


class FormatError(DaqError):
    """A journal is of a format that this software does not read.  Example: a newer daq wrote it."""


class SettingErrors(SettingError):
    """Everything that is wrong in what a person wrote, found in one go.

    Its text has one line for each of `errors`; `file`, `key` and `reason` are those of the first.
    """

    def __init__(self, errors: "list[SettingError]") -> None:
        first = errors[0]
        super().__init__(first.reason, file=first.file, key=first.key)
        self.errors = errors

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)
