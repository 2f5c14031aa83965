"""Settings of a worker."""

from dataclasses import dataclass, field
from typing import Final

from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import BRANCH
from daq.collect.database import PostgresSettings

MOST_MISSING: Final = 100_000
"""Largest number of missing results of a stream, where the settings say no other."""
BEAT_S: Final = 2.0
"""Shortest time (s) between two turns of the housekeeper: worker's row, statuses, gaps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSettings:
    """Times of the requests for missing results.

    Attributes:
        history: request also results published before the first stored result of a stream.
        patience_s: time (s) for which a result counts as on its way, before it is requested.
        again_s, again_most_s: first and longest wait (s) after a request; each wait is twice the one before.
        most_missing: largest number of missing results of a stream; an announced end that would make more missing is
            not believed.
    """

    history: bool = True
    patience_s: float = 10.0
    again_s: float = 10.0
    again_most_s: float = 3600.0
    most_missing: int = MOST_MISSING


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectSettings:
    """Settings of one worker.

    Attributes:
        group: name of the group; its workers share the messages.
        worker: name of this worker in the group, a part of its client id.
        levels: levels of the plant in front of ``lab/v1``, as topic filters.
        curves, readings: collect flow curves, live values.
        window: maximum number of messages received and not yet committed.
        session_s: time (s) for which the broker keeps the session of an absent worker.
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
        """Client id of this worker at the broker."""
        return f"daq-collect-{self.group}-{self.worker}"

    @property
    def shared_filters(self) -> list[str]:
        """Topic filters of the shared subscriptions (MQTT 5, section 4.8.2)."""
        kinds = ["result", "reportable", "signature"] + ["curve"] * self.curves + ["live"] * self.readings
        return [f"$share/{self.group}/{prefix}/{kind}/+" for prefix in self._prefixes for kind in kinds]

    @property
    def status_filters(self) -> list[str]:
        """Topic filters of the daemons' statuses; only the watching worker subscribes to them."""
        return [f"{prefix}/status" for prefix in self._prefixes]

    @property
    def _prefixes(self) -> list[str]:
        return [f"{level}/{BRANCH}" if level else BRANCH for level in self.levels]
