"""Everything a worker is told."""

from dataclasses import dataclass, field
from typing import Final

from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import BRANCH
from daq.collect.database import PostgresSettings

BEAT_S: Final = 2.0
"""Between two looks at gaps, statuses and the worker's own row."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSettings:
    """When what is missing is asked for.

    Attributes:
        history: also what was published before a stream was seen here for the first time.
        patience_s: so long a result may be on its way.
        again_s, again_most_s: the wait after a request; it doubles from the first to the most.
    """

    history: bool = True
    patience_s: float = 10.0
    again_s: float = 10.0
    again_most_s: float = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectSettings:
    """One worker.

    Attributes:
        group: workers of one group share the messages.
        worker: name of this one in the group; the broker keeps its session under it.
        levels: the plant's levels in front of ``lab/v1``, as topic filters.
        window: most messages taken and not yet committed.
    """

    group: str
    worker: str
    levels: tuple[str, ...]
    mqtt: MqttSettings
    postgres: PostgresSettings
    curves: bool = True
    readings: bool = False
    window: int = 500
    session_s: int = 7 * 86_400
    gaps: GapSettings = field(default_factory=GapSettings)

    @property
    def client_id(self) -> str:
        """Under which the broker knows this worker."""
        return f"daq-collect-{self.group}-{self.worker}"

    @property
    def shared_filters(self) -> list[str]:
        """Filters of what the workers share among them (MQTT 5, section 4.8.2)."""
        kinds = ["result"] + ["curve"] * self.curves + ["live"] * self.readings
        return [f"$share/{self.group}/{prefix}/{kind}/+" for prefix in self._prefixes for kind in kinds]

    @property
    def status_filters(self) -> list[str]:
        """Filters of the daemons' statuses, which only the worker that watches listens to."""
        return [f"{prefix}/status" for prefix in self._prefixes]

    @property
    def _prefixes(self) -> list[str]:
        return [f"{level}/{BRANCH}" if level else BRANCH for level in self.levels]
