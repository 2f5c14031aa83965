"""States of the connection of an instrument as one table, and the states of its motor and its identity.

The diagram in the README of this folder is generated from `LINK_TRANSITIONS` and checked by a test.
"""

from enum import StrEnum
from typing import Final


class LinkState(StrEnum):
    """State of a connection."""

    CLOSED = "closed"
    OPENING = "connecting"
    HALTING = "stopping_motor"
    IDENTIFYING = "identifying"
    READY = "ready"
    LENDING = "lending"
    LENT = "in_run"
    WRONG_INSTRUMENT = "wrong_instrument"


class Motor(StrEnum):
    """State of the motor, as far as it is known."""

    NOT_MOVED = "not_moved"
    TURNING = "turning"
    STILL = "still"
    IN_DOUBT = "may_still_be_turning"


class IdentityCheck(StrEnum):
    """Result of the identity request."""

    NOT_ASKED = "not_asked"
    """The instrument has no identity request."""
    PENDING = "pending"
    SAME = "same"
    CHANGED = "changed"
    NO_ANSWER = "no_answer"


class Purpose(StrEnum):
    """User of a connection.

    A session (``idle``) requires an identity and opens the port again after a silence.  A run and a trial go on
    without an answer; the result of the run then says that the identity is unknown.
    """

    IDLE = "idle"
    RUN = "run"
    TRIAL = "trial"


_OPEN: Final = (
    LinkState.HALTING,
    LinkState.IDENTIFYING,
    LinkState.READY,
    LinkState.LENDING,
    LinkState.LENT,
    LinkState.WRONG_INSTRUMENT,
)

#: (state, trigger) -> next state.  A pair that is not in the table raises `KeyError`.
LINK_TRANSITIONS: Final[dict[tuple[LinkState, str], LinkState]] = {
    (LinkState.CLOSED, "open"): LinkState.OPENING,
    (LinkState.OPENING, "port open"): LinkState.IDENTIFYING,
    (LinkState.HALTING, "motor still"): LinkState.IDENTIFYING,
    (LinkState.HALTING, "motor not still"): LinkState.IDENTIFYING,
    (LinkState.HALTING, "stop not confirmed, open again"): LinkState.OPENING,
    (LinkState.HALTING, "another instrument"): LinkState.WRONG_INSTRUMENT,
    (LinkState.IDENTIFYING, "identified"): LinkState.READY,
    (LinkState.IDENTIFYING, "identified, motor in doubt"): LinkState.HALTING,
    (LinkState.IDENTIFYING, "cannot be asked"): LinkState.READY,
    (LinkState.IDENTIFYING, "cannot be asked, motor in doubt"): LinkState.HALTING,
    (LinkState.IDENTIFYING, "no answer"): LinkState.READY,
    (LinkState.IDENTIFYING, "no answer, open again"): LinkState.OPENING,
    (LinkState.IDENTIFYING, "another instrument"): LinkState.WRONG_INSTRUMENT,
    (LinkState.IDENTIFYING, "stop the motor"): LinkState.HALTING,
    (LinkState.READY, "ask again"): LinkState.IDENTIFYING,
    (LinkState.READY, "answers after a silence"): LinkState.IDENTIFYING,
    (LinkState.READY, "silent, open again"): LinkState.OPENING,
    (LinkState.READY, "stop the motor"): LinkState.HALTING,
    (LinkState.READY, "lend"): LinkState.LENDING,
    (LinkState.LENDING, "line is free"): LinkState.LENT,
    (LinkState.LENDING, "line is never free"): LinkState.READY,
    (LinkState.LENT, "returned"): LinkState.IDENTIFYING,
    (LinkState.LENT, "returned, motor in doubt"): LinkState.HALTING,
    (LinkState.WRONG_INSTRUMENT, "port open"): LinkState.IDENTIFYING,
    (LinkState.WRONG_INSTRUMENT, "stop the motor"): LinkState.HALTING,
    **{(state, "port lost"): LinkState.OPENING for state in _OPEN},
    **{(state, "close"): LinkState.CLOSED for state in LinkState if state is not LinkState.CLOSED},
}

REOPENING: Final = frozenset({"stop not confirmed, open again", "no answer, open again", "silent, open again"})
"""Triggers that close the port and open it again."""


def link_diagram() -> str:
    """Return the table as a Mermaid state diagram; the triggers between two states share one arrow."""
    arrows: dict[tuple[LinkState, LinkState], list[str]] = {}
    for (a, trigger), b in LINK_TRANSITIONS.items():
        arrows.setdefault((a, b), []).append(trigger)
    lines = ["stateDiagram-v2", "    [*] --> closed"]
    lines += [f"    {a.name.lower()} --> {b.name.lower()}: {', '.join(found)}" for (a, b), found in arrows.items()]
    return "\n".join(lines)
