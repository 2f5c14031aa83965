"""The state of a run as the daemon shows it: one tree of dataclasses for terminal, page and socket."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from daq.core.encoding import decode
from daq.core.remarks import Parameter, Remark, WrittenRemark
from daq.core.ruleprogress import RuleProgress
from daq.core.torqueband import TorqueBand
from daq.methods.parts.statement import statement_of

if TYPE_CHECKING:
    from daq.core.effects import Noted


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """A note of a run with its English sentence."""

    t: int
    """Monotonic time, ns."""
    code: str
    text: str
    parameters: dict[str, Parameter] = field(default_factory=dict)
    """Of the sentence; empty for a note of a journal of format 1, which has the text alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepShown:
    """The step of the plan that is under way, or the next one."""

    number: int
    """Counted from 1."""
    of: int
    name: str
    speed: float | None
    """Set-point, /min; None where nothing turns."""


@dataclass(frozen=True, slots=True)
class TemperatureGate:
    """The temperatures (Cel) between which the run measures."""

    signal: str
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeekShown:
    """The band that a speed search aims at (in the unit of the torque band), and the try that is under way."""

    low: float
    high: float
    number: int
    """Counted from 1."""
    most: int
    """Greatest number of speeds that may be tried."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProvisionalValue:
    """The value that the step would give if it ended now."""

    name: str
    value: float | None
    unit: str
    """UCUM code."""
    quality: str
    n: int
    """Number of readings."""
    span_s: float = 0.0
    """Length (s) of the span that is averaged, which ends now; shorter than the method's at first."""
    reasons: tuple[WrittenRemark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """The state of a run at one moment; times in s."""

    run: str
    instrument: str
    method: str
    """Id and version."""
    sample: str
    simulated: bool = False
    fitted: str = ""
    """The measuring geometry that is fitted, with its serial number; "" where there is none."""
    configuration: tuple[str, ...] = ()
    """Reasons why changed files have no effect."""
    caution: str = ""
    """The product's safety note."""
    state: str
    run_s: float
    stage_s: float
    stage_of_s: float = 0.0
    """Planned length of a state whose length the method gives: soak, pre-shear, rest; 0 for other states."""
    step: StepShown
    seek: SeekShown | None = None
    """None where the step does not look for its speed."""
    signals: dict[str, float | None]
    """Newest reading by signal, companions included."""
    units: dict[str, str]
    """UCUM code by signal."""
    decimals: dict[str, int] = field(default_factory=dict)
    """By signal, where resolution or uncertainty are known; negative: tens, hundreds."""
    faults: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Faults of the newest reading, each with its channels (none for the whole instrument)."""
    band: TorqueBand | None = None
    temperature: TemperatureGate | None = None
    value: ProvisionalValue | None = None
    rules: tuple[RuleProgress, ...] = ()
    advice: tuple[WrittenRemark, ...] = ()
    notes: tuple[WrittenNote, ...] = ()
    motor: str = ""

    @property
    def torque(self) -> float | None:
        """Return the newest value of the signal that the torque band is for, in the band's unit."""
        return None if self.band is None else self.signals.get(self.band.signal)

    def unit_of(self, signal: str) -> str:
        """Return the UCUM code of a signal, "1" where it has none."""
        return self.units.get(signal, "1")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEnd:
    """The end of a run."""

    run: str
    outcome: str
    reason: str
    motor: str
    fault: str = ""
    """The reason why the result is not in the store; "" where it is."""
    result_id: str | None = None


def written_note(note: "Noted") -> WrittenNote:
    """Return a note with its sentence."""
    found = statement_of(Remark(note.code, note.parameters))
    return WrittenNote(note.t, note.code, found.text, found.parameters)


def recorded_note(values: Mapping[str, Any]) -> WrittenNote:
    """Return a note from the values in a journal.

    Raises:
        SettingError: a key is unknown or missing, or its value has the wrong type.
        UnknownSentenceError: the code is not one of the catalogue.
    """
    if "text" in values:  # format 1
        return decode(WrittenNote, values)
    from daq.core.effects import Noted  # a client that follows a run reads no journal

    return written_note(decode(Noted, values))
