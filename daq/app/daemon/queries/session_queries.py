"""Queries that the daemon itself answers, because the answer is in its memory and in no file: the last raw lines."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeVar

from pydantic import Field

from daq.app.run.latest_lines import MOST_PIECES
from daq.app.run.session import Session
from daq.core.errors import SettingError, coded
from daq.descriptions.capture import escaped
from daq.laboratory.people import Role
from daq.methods.files.fields import Model, NeededLabel

LONGEST: Final = 512
"""Greatest number of bytes of one line that are shown."""


class LinesAsked(Model):
    """The last raw lines of an instrument."""

    instrument: NeededLabel
    last: int = Field(default=20, ge=1, le=MOST_PIECES)


M = TypeVar("M", bound=Model)


@dataclass(frozen=True, slots=True)
class SessionQuery(Generic[M]):
    """A query about the sessions: its name, the model of its parameters, the least role, and its function.

    The function takes the sessions by name, the parameters, and the present time (monotonic, ns).
    """

    name: str
    asked: type[M]
    role: Role
    answer: Callable[[Mapping[str, Session], M, int], dict[str, Any]]


def _lines(sessions: Mapping[str, Session], asked: LinesAsked, now_ns: int) -> dict[str, Any]:
    """Return age (s), direction and escaped text of each line, the newest last, and the state of the instrument."""
    session = sessions.get(asked.instrument)
    if session is None:
        served = ", ".join(sorted(sessions)) or "none"
        raise coded(
            SettingError(f"the daemon serves no instrument {asked.instrument!r}; served: {served}", key="instrument"),
            "unknown_name",
            what="instrument",
            name=asked.instrument,
        )
    found = session.latest.lines(session.driver.framing, asked.last)
    return {
        "instrument": asked.instrument,
        "state": session.standing.state.value,
        "detail": session.standing.detail,
        "lines": [
            {
                "age_s": max(0, now_ns - line.t) / 1e9,
                "way": "received" if line.way == "<" else "sent",
                "text": escaped(line.data[-LONGEST:]),
                "cut": len(line.data) > LONGEST,
            }
            for line in found
        ],
    }


SESSION_QUERIES: Final[dict[str, SessionQuery[Any]]] = {
    "lines": SessionQuery("lines", LinesAsked, "look", _lines),
}
