"""What a bench says of itself under its status topic: birth, changes, farewell, and the will for when it cannot."""

import json
from collections.abc import Mapping
from typing import Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.mqtt.connection import Version, Will

INVISIBLE: Final = (
    "MQTT 3.1.1 has no way to refuse a message visibly: what the broker's access rules drop looks delivered. "
    "Check the topics' rules, or use a broker with MQTT 5."
)


class Status:
    """Builds status messages.

    Attributes:
        instruments: state of each instrument by name.
        sequences: last number of each stream.
    """

    def __init__(self, topic: str, source: str, epoch: int, about: Mapping[str, Any]) -> None:
        """`about` goes into every message: versions, and whatever else the application tells."""
        self.topic = topic
        self.instruments: dict[str, str] = {}
        self.sequences: dict[str, int] = {}
        self._source, self._epoch, self._about = source, epoch, dict(about)
        self._told: Mapping[str, Any] = {}

    def payload(self, state: str, version: Version, utc_ns: int, *, reason: str = "") -> bytes:
        """A message; `state` is ``online`` or ``offline``."""
        said = self._content(state, version)
        if state == "online":
            self._told = said
        said = {**said, "time": utc_text(utc_ns)}
        if reason:
            said["reason"] = reason
        return json.dumps(said, ensure_ascii=False).encode()

    def changed(self, version: Version) -> bool:
        """Whether there is anything new to tell since the last one that said ``online``."""
        return self._content("online", version) != self._told

    def wills(self, utc_ns: int) -> dict[Version, Will]:
        """What the broker publishes when it loses us, by version of the protocol."""
        versions: tuple[Version, ...] = ("5", "3.1.1")
        reason = "the connection was lost"
        return {v: Will(self.topic, self.payload("offline", v, utc_ns, reason=reason)) for v in versions}

    def _content(self, state: str, version: Version) -> dict[str, Any]:
        said: dict[str, Any] = {
            "state": state,
            "source": self._source,
            "epoch": self._epoch,
            "mqtt": {"protocol": version, "refusals_visible": version == "5"},
            "sequences": dict(self.sequences),
            **self._about,
        }
        if self.instruments and state == "online":  # nobody knows how they stand without us
            said["instruments"] = dict(self.instruments)
        if version != "5":
            said["note"] = INVISIBLE
        return said
