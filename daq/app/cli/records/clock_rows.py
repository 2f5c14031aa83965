"""Rows of `daq show` about the machine's clock over a run."""

from collections.abc import Mapping
from typing import Any, Final

STATES: Final = {"yes": "synchronised", "no": "not synchronised", "unknown": "synchronisation unknown"}


def clock_rows(clock: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    """Return name and text of each row about the clock evidence of a run's end; none where it has none.

    `clock` is the part `clock` of the audit entry `run_ended` (`daq.app.run.clock_watch`).
    """
    if clock is None:
        return []
    start, end = (STATES.get(str(clock.get(f"synchronised_at_{at}")), "unknown") for at in ("start", "end"))
    state = start if start == end else f"{start} at the start, {end} at the end"
    difference = clock.get("difference_ns")
    moved = (
        "its change over the run was not observed"
        if difference is None
        else f"{difference / 1e9:+.3f} s against the monotonic clock over the run"
    )
    return [("clock", f"{state}; {moved}")]
