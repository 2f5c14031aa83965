"""The inputs of a plan while it is compiled, with the refusals found so far."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from daq.core.driver import Driver, Identity
from daq.methods.files.instrument import Instrument
from daq.methods.files.recipe import Method
from daq.methods.planning.choosing import Chosen
from daq.methods.planning.refusals import Refusals
from daq.methods.planning.signals import Signals
from daq.rheology.geometry import Geometry


class Companion(NamedTuple):
    """A further instrument whose readings share the time axis of the run."""

    instrument: Instrument
    driver: Driver
    identity: Identity | None = None


@dataclass(frozen=True, slots=True)
class Making:
    """Method, bench and choices of a plan that is being compiled, with the refusals so far."""

    method: Method
    instrument: Instrument
    driver: Driver
    identity: Identity | None
    companions: Mapping[str, Companion]
    chosen: Chosen
    full_scale_unm: float | None
    geometry: Geometry | None
    signals: Signals
    refusals: Refusals

    def refuse(self, key: str, reason: str) -> None:
        """Add a refusal: a key of the method makes the run impossible."""
        self.refusals.add(self.method, key, reason)

    def refuse_bench(self, key: str, reason: str) -> None:
        """Add a refusal: a key of the instrument's file makes the run impossible."""
        self.refusals.add(self.instrument, key, reason)

    def unknown(self, signal: str) -> str:
        """Return the sentence for a signal that this bench does not have."""
        role, dot, _ = signal.partition(".")
        name = self.instrument.companions.get(role)
        if dot and name is not None and name not in self.companions:
            return (
                f"{signal!r} comes from the companion {name}, which is not connected; connect it, or use another method"
            )
        if dot and name is None and role not in self.companions:
            return (
                f"{signal!r} needs the companion {role!r}, which {self.instrument.name} does not have; name it under "
                "[companions] in the instrument's file"
            )
        return f"there is no signal {signal!r} on this bench; signals: {self.signals.known}"
