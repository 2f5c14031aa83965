"""The conclusion of a run (so far), as a model made of a result's own parts."""

from daq.methods.parts.finding import Finding
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement


class Conclusion(Finding):
    """A finding with what only `conclude` knows of it."""

    row: KeptValue | None = None
    """The kept value the result comes from."""
    sheared: bool = False
    """Whether the run sought a speed, and so sheared its fill in a way no method declares."""
    cautions: tuple[Statement, ...] = ()
    """Statements that a reader of the value must know: limits of use, drift, what selected it."""
