"""Events of the work at a bench, the acts that follow from them, and the step that joins both."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from daq.core.errors import DaqError
from daq.laboratory.bench.benchstate import BenchState, Checked, NamedSample, Outcome

Coded = Mapping[str, str]
"""The code of a refusal under `REFUSAL`, with its values; empty where it has none."""
REFUSAL: Final = "refusal"
Command = Literal["confirm", "next", "same", "fresh", "remark", "bath", "damage", "skip", "back", "stop"]


# ---- events


@dataclass(frozen=True, slots=True)
class Text:
    """A text that was typed or scanned.

    Attributes:
        text: the text.
        named: the sample of this id, where the stage asks for one and the bench can measure it.
        refusal: why it cannot be measured; "" where it can.
        coded: code and values of the refusal.
    """

    text: str
    named: NamedSample | None = None
    refusal: str = ""
    coded: Coded = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Pressed:
    """A command of a person."""

    command: Command


@dataclass(frozen=True, slots=True)
class Began:
    """The run of the flow has started."""

    run: str


@dataclass(frozen=True, slots=True)
class Refused:
    """The run of the flow did not start; `coded` has the code and the values of the reason."""

    reason: str
    coded: Coded = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Ended:
    """The run of the flow has ended, and its result is stored."""

    outcome: Outcome


@dataclass(frozen=True, slots=True)
class HandedOver:
    """The shift was handed over: level and zero are due again."""


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed."""


Event = Text | Pressed | Began | Refused | Ended | HandedOver | Tick


# ---- acts


@dataclass(frozen=True, slots=True)
class Begin:
    """Start the run of a sample; its checklist is stored with it."""

    named: NamedSample
    opening: tuple[Checked, ...]
    before: tuple[Checked, ...]

    @property
    def reopens(self) -> bool:
        """Return whether the start opens the sample again, because it is measured again for a reason."""
        return bool(self.named.repeat_of and self.named.reason)


@dataclass(frozen=True, slots=True)
class Stop:
    """Stop the run on the bench."""


@dataclass(frozen=True, slots=True)
class NoteRun:
    """Store a remark about a run."""

    run: str
    text: str


@dataclass(frozen=True, slots=True)
class KeepAfter:
    """Store the items after a run with its checklist."""

    run: str
    after: tuple[Checked, ...]


@dataclass(frozen=True, slots=True)
class TakeOut:
    """Take the fitted measuring geometry out of service."""

    geometry: str
    serial: str
    because: str


Act = Begin | Stop | NoteRun | KeepAfter | TakeOut


@dataclass(frozen=True, slots=True)
class Message:
    """A message for the person at the bench: a code of `benchwords` with its values.

    A message with the reason of a refusal has the code and the values of the reason besides.
    """

    code: str
    values: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Step:
    """The next state, the acts, and a message for the person (None: the message before stays)."""

    state: BenchState
    acts: tuple[Act, ...] = ()
    message: Message | None = None


def coded_of(error: DaqError) -> Coded:
    """Return the code and the values of a refusal for a message."""
    return {**error.values, REFUSAL: error.code} if error.code else {}
