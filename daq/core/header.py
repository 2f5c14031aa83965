"""Header of a journal: its first record, which holds all data needed to compute the run again.

Floats are written in hexadecimal, so that they are restored bit for bit.  `header.schema.json` beside this file
describes the JSON (see `daq.core.header_schema`).
"""

import json
from dataclasses import dataclass, field
from typing import Any, Final

from daq.core.encoding import decode, encode
from daq.core.errors import FormatError, SettingError
from daq.core.plan import Plan

FORMAT: Final = 3
"""Number of the journal's format: header, kinds of records and their payloads."""
OLDEST: Final = 1
"""Oldest format that is read.  In format 1 a note has an English text in place of parameters.

Before format 3 the plan's context has no overdue calibrations."""
READ: Final = f"{OLDEST} to {FORMAT}"
"""The formats that are read, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedDriver:
    """Driver of a link as it was at the start of the run."""

    kind: str
    options: dict[str, Any]
    state: dict[str, Any]
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """Data needed to compute a run again from its events."""

    format: int = FORMAT
    run: str
    plan: Plan
    drivers: dict[str, RecordedDriver]
    """Driver of each link, by the name of the link."""
    software: str = ""
    libraries: dict[str, str] = field(default_factory=dict)
    """Versions of the libraries that computed the run."""
    checks: int = 0
    """Number of the checks of the daq that wrote it (`daq.core.faults.CHECKS`); 0: a daq from before the number."""

    @property
    def text(self) -> str:
        """Header as JSON text.  The order of the keys is kept, so that replay decides ties in the same way."""
        return json.dumps(encode(self, exact=True))


def read_header(text: str | bytes) -> Header:
    """Return the header that `Header.text` wrote.

    Raises:
        FormatError: the journal has another format.
        SettingError: a key is unknown or missing, or its value has the wrong type.
        ValueError: the text is not JSON.
    """
    data = json.loads(text)
    found = data.get("format") if isinstance(data, dict) else None
    if type(found) is not int:
        raise FormatError(f"the journal has no format number; this daq reads journal formats {READ}")
    if not OLDEST <= found <= FORMAT:
        age, todo = ("newer", "use a newer daq") if found > FORMAT else ("older", "use the daq that wrote it")
        raise FormatError(f"journal format {found} is {age} than this daq, which reads {READ}; {todo}")
    try:
        return decode(Header, data, exact=True)
    except SettingError as error:
        raise SettingError(f"the header cannot be decoded: {error}") from None
