"""What a link sends, as the application hands it over."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from daq.adapters.sparkplug.metrics import Metric


@dataclass(frozen=True, slots=True)
class DeviceResult:
    """A result of a device as metrics.  `mark` grows with each result of the database; 0 stands for none yet."""

    device: str
    mark: int
    metrics: tuple[Metric, ...]


class Content(Protocol):
    """What there is to tell."""

    def node(self) -> Sequence[Metric]:
        """The node's own metrics, which do not change while it lives."""
        ...

    def present(self) -> Mapping[str, Sequence[Metric]]:
        """Every device that is there, with its metrics besides those of results.  Must be quick."""
        ...

    def newest(self, devices: Sequence[str]) -> Sequence[DeviceResult]:
        """The newest result of each device.  Called in a thread; may raise `StoreError`."""
        ...

    def after(self, marks: Mapping[str, int], limit: int) -> Sequence[DeviceResult]:
        """The next results after a mark for each device, all in order of their marks.  As `newest`."""
        ...
