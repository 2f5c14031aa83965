"""The data that the application provides for a link."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from daq.adapters.sparkplug.memory import Position
from daq.adapters.sparkplug.metrics import Metric


@dataclass(frozen=True, slots=True)
class DeviceResult:
    """A result of a device as metrics.

    Attributes:
        mark: a number that grows with each result of the database; 0 without a result.
        is_present: False for what is no present value: a result that was superseded, and the correction of a run after
            which another run of the device had a result.
    """

    device: str
    mark: int
    metrics: tuple[Metric, ...]
    is_present: bool = True


class Content(Protocol):
    """Source of the metrics of a node and its devices."""

    def node(self) -> Sequence[Metric]:
        """Return the metrics of the node itself, which do not change between its birth and its death."""
        ...

    def present(self) -> Mapping[str, Sequence[Metric]]:
        """Return every present device with its metrics, without those of results.  It must be fast."""
        ...

    def newest(self, devices: Sequence[str]) -> Sequence[DeviceResult]:
        """Return the result in force of each device's newest run of which it is known.

        It is not known where the newest result of a run is missing, or does not agree with the audit trail.

        It is called in a thread and may raise `StoreError`.
        """
        ...

    def after(self, marks: Mapping[str, int], limit: int) -> Sequence[DeviceResult]:
        """Return at most `limit` results after each device's mark, in order of marks; called as `newest`.

        A result that does not agree with the audit trail is not among them, and is noted in the node's `Memory`.
        The earlier results of its run are not among them either, where it is the newest one.
        """
        ...

    def position(self, epoch: int) -> Position | None:
        """Return the position of the database where it is no longer in `epoch`, else None; called as `newest`."""
        ...
