"""Exceptions of the project, one class for each cause; each holds the data that explain it."""

import json
from collections.abc import Mapping
from types import MappingProxyType
from typing import TypeVar


class DaqError(Exception):
    """Base of all errors that this project raises on purpose; the text is for a person.

    `code` and `values` are those of its sentence in the languages of the page (`coded`); "" where it has none.
    """

    code: str = ""
    values: Mapping[str, str] = MappingProxyType({})


class SettingError(DaqError):
    """A file, key or argument that a person wrote is wrong.

    Example: ``method.toml: steps[0].speed: must be greater than 0``.
    """

    def __init__(self, reason: str, *, file: str = "", key: str = "") -> None:
        self.file, self.key, self.reason = file, key, reason
        super().__init__(": ".join(part for part in (file, key, reason) if part))


class NotComparableError(SettingError):
    """A result would not be comparable with the limits of its product, and the order does not accept that.

    Example: the speed of the run is 50 /min, and the limits apply at 20 /min.
    """


class NotAllowedError(SettingError):
    """A person is not known, or may not do this.  Example: a sign-off needs the role review."""


class ArgumentError(SettingError, ValueError):
    """An argument of a function is outside its domain; `key` is its name.

    Example: ``torque_percent: must be finite, is nan``.
    """


class DriverError(DaqError):
    """A driver broke its contract, or was asked for an action that its instrument does not support."""


class LinkError(DaqError):
    """A port could not be opened, read or written.  Example: the cable was pulled."""


class StoreError(DaqError):
    """The database could not be read or written.  Example: the disk is full."""


class JournalError(DaqError):
    """A journal cannot be read.  `record` is the index of the first damaged record."""

    def __init__(self, reason: str, *, record: int) -> None:
        self.record = record
        super().__init__(f"record {record}: {reason}")


class ArchivedError(SettingError):
    """The journal of a run is in an archive that was not given; nothing is damaged or lost.

    Example: the journal of run 3f2a is in the archive daq-1a2b3c4d-0007: give it with --archive FILE.
    """


class FormatError(DaqError):
    """A journal has a format that this version does not read.  Example: a newer daq wrote it."""


class SettingErrors(SettingError):
    """All errors found in one check of a person's files.

    The text has one line for each of `errors`; `file`, `key` and `reason` belong to the first error.
    """

    def __init__(self, errors: "list[SettingError]") -> None:
        first = errors[0]
        super().__init__(first.reason, file=first.file, key=first.key)
        self.errors = errors
        if len(errors) == 1:
            self.code, self.values = first.code, first.values
        elif any(error.code for error in errors):
            found = [{"code": error.code, "values": dict(error.values), "text": str(error)} for error in errors]
            coded(self, "several", errors=json.dumps(found))

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)


E = TypeVar("E", bound=DaqError)


def coded(error: E, code: str, /, **values: str) -> E:
    """Return an error with the code and the values of its sentence, which a screen shows in its own language."""
    error.code, error.values = code, values
    return error


def moved(error: SettingError, key: str, *, file: str = "", **place: str) -> SettingError:
    """Return an error under another key, and in another file; its code stays, and its values get the key as `field`.

    `place` has further values of the place, such as a line.
    """
    found = SettingError(error.reason, file=file, key=key)
    return coded(found, error.code, **{**error.values, "field": key, **place}) if error.code else found
