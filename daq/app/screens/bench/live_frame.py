"""The changes on all benches since the frame before: one tree of dataclasses for page and socket."""

from dataclasses import dataclass, field

from daq.app.screens.bench.bench_view import BenchView
from daq.app.screens.run_view import RunView


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveReading:
    """The newest reading of an instrument.

    Attributes:
        values, units: by signal; UCUM codes.
        faults: pairs of channel ("" for the whole instrument) and fault.
        connection: state of the connection.
        motor: ``in_doubt`` where the motor may still be turning after a lost link or a crash; "" otherwise.
        still: true where the motor is known to stand still, false where it turns or is not known; None without a motor.
        age_s: time (s) since the values were read; None without values.
    """

    values: dict[str, float | None] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    faults: tuple[tuple[str, str], ...] = ()
    connection: str
    motor: str = ""
    still: bool | None = None
    age_s: float | None = None


@dataclass(frozen=True, slots=True)
class LiveFrame:
    """The changes; the first frames, to the first without `more`, have everything.

    Attributes:
        readings: by instrument.
        benches: the work at the benches.
        runs: runs by instrument; None where the run has ended.
        more: the frame is one of several with everything; another one follows.
    """

    readings: dict[str, LiveReading] = field(default_factory=dict)
    benches: dict[str, BenchView] = field(default_factory=dict)
    runs: dict[str, RunView | None] = field(default_factory=dict)
    more: bool = False
