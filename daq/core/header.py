"""The journal's header: its first record, which holds all that is needed to compute the run again.

Floats are written in hexadecimal, so that they come back bit for bit.  `header.schema.json` beside this file describes
the JSON (see `daq.core.header_schema`).
"""

import json
from dataclasses import dataclass, field
from typing import Any, Final

from daq.core.encoding import decode, encode
from daq.core.errors import FormatError, SettingError
from daq.core.plan import Plan

FORMAT: Final = 0
"""Number of the journal's format: header, kinds of records, and their payloads."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedDriver:
    """A driver as it was when the run began."""

    kind: str
    options: dict[str, Any]
    state: dict[str, Any]
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """All that is needed to compute a run again from its events."""

    format: int = FORMAT
    run: str
    plan: Plan
    drivers: dict[str, RecordedDriver]
    """By the name of the link."""
    software: str = ""
    libraries: dict[str, str] = field(default_factory=dict)
    """Versions that the run was computed with."""

    @property
    def text(self) -> str:
        """The header as JSON text.  Keys keep their order, so that replay decides a tie alike."""
        return json.dumps(encode(self, exact=True))


def read_header(text: str | bytes) -> Header:
    """Return the header that `Header.text` wrote.

    Raises:
        FormatError: the journal is of another format.
        SettingError: a key is unknown or missing, or its value is of another type.
        ValueError: the text is no JSON.
    """
    data = json.loads(text)
    found = data.get("format") if isinstance(data, dict) else None
    if type(found) is not int:
        raise FormatError(f"the journal has no format number; this daq reads journal format {FORMAT}")
    if found != FORMAT:
        age, todo = ("newer", "use a newer daq") if found > FORMAT else ("older", "use the daq that wrote it")
        raise FormatError(f"journal format {found} is {age} than this daq, which reads {FORMAT}; {todo}")
    try:
        return decode(Header, data, exact=True)
    except SettingError as error:
        raise SettingError(f"the header makes no sense: {error}") from None
