"""States and transitions of a run as one table.

The diagram in the README of this folder is generated from `TRANSITIONS` and checked by a test.
"""

from enum import StrEnum
from typing import Final


class State(StrEnum):
    """State of a run."""

    READY = "ready"
    IDENTIFYING = "identifying"
    EQUILIBRATING = "equilibrating"
    SOAKING = "soaking"
    STARTING_PRESHEAR = "starting_preshear"
    PRESHEARING = "preshearing"
    ENDING_PRESHEAR = "ending_preshear"
    RESTING = "resting"
    STARTING = "starting"
    MEASURING = "measuring"
    SEEKING = "seeking"
    STOPPING = "stopping"
    CONCLUDED = "concluded"
    ENDED = "ended"


ACTIVE: Final = frozenset(State) - {State.READY, State.STOPPING, State.CONCLUDED, State.ENDED}

#: (state, trigger) -> next state.  A pair that is not in the table raises `KeyError`.
TRANSITIONS: Final[dict[tuple[State, str], State]] = {
    (State.READY, "begin"): State.IDENTIFYING,
    (State.IDENTIFYING, "identified"): State.EQUILIBRATING,
    (State.EQUILIBRATING, "in band"): State.SOAKING,
    (State.SOAKING, "soaked"): State.STARTING_PRESHEAR,
    (State.STARTING_PRESHEAR, "no pre-shear"): State.RESTING,
    (State.STARTING_PRESHEAR, "at speed"): State.PRESHEARING,
    (State.PRESHEARING, "sheared"): State.ENDING_PRESHEAR,
    (State.ENDING_PRESHEAR, "motor still"): State.RESTING,
    (State.RESTING, "rested"): State.STARTING,
    (State.STARTING, "at speed"): State.MEASURING,
    (State.MEASURING, "rule met"): State.STARTING,
    (State.MEASURING, "last rule met"): State.STOPPING,
    (State.STARTING, "at speed to try"): State.SEEKING,
    (State.SEEKING, "torque off target"): State.STARTING,
    (State.SEEKING, "torque on target"): State.STOPPING,
    **{
        (state, trigger): State.STOPPING
        for state in State
        if state in ACTIVE or state is State.READY
        for trigger in ("stopped by a person", "link lost", "fault")
    },
    **{(state, "another instrument"): State.STOPPING for state in State if state in ACTIVE},
    **{
        (state, "torque limit"): State.STOPPING
        for state in (
            State.STARTING_PRESHEAR,
            State.PRESHEARING,
            State.STARTING,
            State.MEASURING,
            State.SEEKING,
        )
    },
    (State.STOPPING, "identity known"): State.CONCLUDED,
    (State.CONCLUDED, "motor known"): State.ENDED,
}

#: Outcome of a run by the trigger that stopped it.
OUTCOMES: Final[dict[str, str]] = {
    "last rule met": "complete",
    "torque on target": "complete",
    "stopped by a person": "stopped",
    "link lost": "interrupted",
    "fault": "failed",
    "another instrument": "failed",
    "torque limit": "failed",
}


def diagram() -> str:
    """Return the table as a Mermaid state diagram; the triggers between two states share one arrow."""
    arrows: dict[tuple[State, State], list[str]] = {}
    for (a, trigger), b in TRANSITIONS.items():
        arrows.setdefault((a, b), []).append(trigger)
    lines = ["stateDiagram-v2", "    [*] --> ready"]
    lines += [f"    {a} --> {b}: {', '.join(triggers)}" for (a, b), triggers in arrows.items()]
    return "\n".join([*lines, "    ended --> [*]"])
