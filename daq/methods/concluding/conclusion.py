"""The conclusion of a run (so far), as a model made of a result's own parts."""

from pydantic import Field

from daq.core.clocks import ClockFacts
from daq.methods.parts.finding import Finding, MotorState
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement


class Conclusion(Finding):
    """A finding with the parts that only `conclude` computes."""

    row: KeptValue | None = None
    """The kept value the result comes from."""
    motor: MotorState = "not_moved"
    """State of the motor when the result was made."""
    clock: ClockFacts = Field(default_factory=ClockFacts)
    """Start, steps and synchronisation of the machine's clock."""
    sheared: bool = False
    """True where the run sought a speed, and so sheared its fill without a declared pre-shear."""
    cautions: tuple[Statement, ...] = ()
    """Cautions for a reader of the value: limits of use, drift, selection by a threshold."""
