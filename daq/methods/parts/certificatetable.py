"""The table of a certified fluid's certificate, and the temperatures for which it has a value."""

from typing import Final

from daq.core.context import CertifiedFluid
from daq.core.faults import CHECKS, DECIMAL_EDGES
from daq.core.units import as_written

BEYOND_TABLE_K: Final = 0.25
"""K by which a measured temperature may lie beyond the ends of a certificate's table."""


def rows_of(fluid: CertifiedFluid) -> list[tuple[float, float]]:
    """Return the rows of a certificate: temperature (Cel) and viscosity (mPa.s)."""
    return [(p.celsius, p.viscosity) for p in fluid.table]


def in_table(fluid: CertifiedFluid, celsius: float, *, checks: int = CHECKS) -> float | None:
    """Return a temperature (Cel) as it is looked up in a certificate; None where its table does not reach so far.

    It is compared as a decimal number by the rules of `checks` (`daq.core.faults.DECIMAL_EDGES`): a mean of readings
    that are all on the edge of the table may be beyond it by a rounding error.
    """
    low, high = (end(p.celsius for p in fluid.table) for end in (min, max))
    first, last = low - BEYOND_TABLE_K, high + BEYOND_TABLE_K
    if checks < DECIMAL_EDGES:
        return celsius if first <= celsius <= last else None
    written = as_written(celsius)
    return min(max(written, first), last) if as_written(first) <= written <= as_written(last) else None
