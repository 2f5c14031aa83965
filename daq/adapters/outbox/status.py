"""Status messages of a bench: online, changes, offline, and the will."""

import json
from collections.abc import Mapping
from typing import Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.mqtt.connection import Version, Will

INVISIBLE_REFUSALS: Final = (
    "MQTT 3.1.1 has no way to refuse a message visibly: messages dropped by the broker's access rules look delivered. "
    "Check the topics' rules, or use a broker with MQTT 5."
)


class Status:
    """Builder of status messages.

    Attributes:
        topic: topic of the status.
        instruments: state of each instrument by name.
        sequences: last sequence number of each stream.
    """

    def __init__(self, topic: str, source: str, epoch: int, about: Mapping[str, Any]) -> None:
        """Make a builder; `about` is a part of every message: versions, and other facts of the application."""
        self.topic = topic
        self.instruments: dict[str, str] = {}
        self.sequences: dict[str, int] = {}
        self._source, self._epoch, self._about = source, epoch, dict(about)
        self._published: Mapping[str, Any] = {}

    def payload(self, state: str, version: Version, utc_ns: int, *, reason: str = "") -> bytes:
        """Return a message; `state` is ``online`` or ``offline``, `utc_ns` its time (ns since 1970)."""
        content = self._content(state, version)
        if state == "online":
            self._published = content
        content = {**content, "time": utc_text(utc_ns)}
        if reason:
            content["reason"] = reason
        return json.dumps(content, ensure_ascii=False).encode()

    def changed(self, version: Version) -> bool:
        """Return whether the content differs from the last ``online`` message."""
        return self._content("online", version) != self._published

    def wills(self, utc_ns: int) -> dict[Version, Will]:
        """Return the will by protocol version: the message that the broker publishes when the connection is lost."""
        versions: tuple[Version, ...] = ("5", "3.1.1")
        reason = "the connection was lost"
        return {v: Will(self.topic, self.payload("offline", v, utc_ns, reason=reason)) for v in versions}

    def _content(self, state: str, version: Version) -> dict[str, Any]:
        content: dict[str, Any] = {
            "state": state,
            "source": self._source,
            "epoch": self._epoch,
            "mqtt": {"protocol": version, "refusals_visible": version == "5"},
            "sequences": dict(self.sequences),
            **self._about,
        }
        if self.instruments and state == "online":  # while the daemon is offline their states are unknown
            content["instruments"] = dict(self.instruments)
        if version != "5":
            content["note"] = INVISIBLE_REFUSALS
        return content
