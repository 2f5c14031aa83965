"""The newest reading of an instrument, in a run or between runs, for screens and live values."""

from collections.abc import Mapping, Sequence

from daq.app.run.active import Active
from daq.app.run.session import Session

Reading = tuple[Mapping[str, float | None], Sequence[tuple[str, str]]]
"""Values by signal, and pairs of channel ("" for the whole instrument) and fault."""


def newest_reading(name: str, session: Session, runs: Mapping[str, Active]) -> Reading:
    """Return the latest values of an instrument by signal, and its faults.

    Derived signals are included if the instrument is the lead of a run.
    """
    if session.standing.state != "in_run":
        return session.standing.values, session.standing.faults
    own = runs.get(name)
    if own is not None:
        return own.runner.pipeline.signals(), own.runner.pipeline.channel_faults()
    for active in runs.values():
        pipeline = active.runner.pipeline
        if name in pipeline.links:
            signals = pipeline.signals()
            values = {c.name: signals.get(f"{name}.{c.name}") for c in session.driver.channels}
            return values, pipeline.channel_faults(name)
    return {}, ()


def read_at(name: str, session: Session, runs: Mapping[str, Active]) -> int:
    """Return the monotonic time (ns) of the latest reading of an instrument; 0 before the first."""
    pipeline = next((a.runner.pipeline for a in runs.values() if name in a.runner.pipeline.links), None)
    return session.link.intake.read_at if pipeline is None else pipeline.links[name].intake.read_at
