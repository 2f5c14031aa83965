"""Make columns from rows of three channels."""

from daq.core.columns import Columns
from daq.core.driver import Values
from tests.support.runs.scripts import S

CHANNELS = ("torque", "speed", "temperature")


def columns_of(rows, times=None, revolutions=None) -> Columns:
    columns = Columns(CHANNELS)
    for i, row in enumerate(rows):
        t = times[i] if times else i * S // 10
        r = revolutions[i] if revolutions else 0.0
        if isinstance(row, Values):
            columns.add_faulty(t, r, row)
        else:
            columns.add(t, r, row)
    return columns
