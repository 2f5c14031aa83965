"""The life of a run, as one table.

The diagram in DEVELOPERS.md is generated from `TRANSITIONS` and checked by a test.
"""

from enum import StrEnum
from typing import Final


class State(StrEnum):
    """Where a run stands."""

    READY = "ready"
    TEMPERING = "tempering"
    SOAKING = "soaking"
    PRESHEARING = "preshearing"
    RESTING = "resting"
    STARTING = "starting"
    MEASURING = "measuring"
    SEEKING = "seeking"
    STOPPING = "stopping"
    ENDED = "ended"


#: (state, what happened) -> next state.  What is not in the table cannot happen.
TRANSITIONS: Final[dict[tuple[State, str], State]] = {
    (State.READY, "begin"): State.TEMPERING,
    (State.TEMPERING, "in band"): State.SOAKING,
    (State.SOAKING, "soaked"): State.PRESHEARING,
    (State.PRESHEARING, "sheared"): State.RESTING,
    (State.RESTING, "rested"): State.STARTING,
    (State.STARTING, "at speed"): State.MEASURING,
    (State.MEASURING, "rule met"): State.STARTING,
    (State.MEASURING, "last rule met"): State.STOPPING,
    (State.STARTING, "at speed to try"): State.SEEKING,
    (State.SEEKING, "torque off target"): State.STARTING,
    (State.SEEKING, "torque on target"): State.STOPPING,
    **{
        (state, trigger): State.STOPPING
        for state in (
            State.READY,
            State.TEMPERING,
            State.SOAKING,
            State.PRESHEARING,
            State.RESTING,
            State.STARTING,
            State.MEASURING,
            State.SEEKING,
        )
        for trigger in ("stopped by a person", "link lost", "fault")
    },
    **{
        (state, "torque limit"): State.STOPPING
        for state in (State.PRESHEARING, State.STARTING, State.MEASURING, State.SEEKING)
    },
    (State.STOPPING, "motor known"): State.ENDED,
}

#: The outcome of a run by the trigger that led to its stopping.
OUTCOMES: Final[dict[str, str]] = {
    "last rule met": "complete",
    "torque on target": "complete",
    "stopped by a person": "stopped",
    "link lost": "interrupted",
    "fault": "failed",
    "torque limit": "failed",
}

ACTIVE: Final = frozenset(State) - {State.READY, State.STOPPING, State.ENDED}


def diagram() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", "    [*] --> ready"]
    lines += [f"    {a} --> {b}: {trigger}" for (a, trigger), b in TRANSITIONS.items()]
    return "\n".join([*lines, "    ended --> [*]"])
