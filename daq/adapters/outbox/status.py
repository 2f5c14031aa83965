"""Status messages of a bench: online, changes, offline, and the will."""

import json
from collections.abc import Mapping
from typing import Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.mqtt.connection import Will
from daq.adapters.mqtt.versions import Version

INVISIBLE_REFUSALS: Final = (
    "MQTT 3.1.1 has no way to refuse a message visibly: messages dropped by the broker's access rules look delivered. "
    "Check the topics' rules, or use a broker with MQTT 5."
)


class Status:
    """Builder of status messages.

    Attributes:
        topic: topic of the status.
        source, epoch: identity of the database.
        bench: facts of the bench, by key; while the daemon is offline they are unknown and left out.
        sequences: last sequence number of each stream.
    """

    def __init__(self, topic: str, source: str, epoch: int, about: Mapping[str, Any], *, instance: str = "") -> None:
        """Make a builder.

        Args:
            topic: topic of the status.
            source: identity of the database with its epoch.
            epoch: the epoch.
            about: a part of every message: versions, and other facts of the application.
            instance: identity of this process, by which it distinguishes its own messages from those of others.
        """
        self.topic = topic
        self.source, self.epoch = source, epoch
        self.bench: dict[str, Any] = {}
        self.sequences: dict[str, int] = {}
        self._about, self._instance = dict(about), instance
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
            "source": self.source,
            "epoch": self.epoch,
            "instance": self._instance,
            "mqtt": {"protocol": version, "refusals_visible": version == "5"},
            "sequences": dict(self.sequences),
            **self._about,
        }
        if state == "online":
            content |= self.bench
        if version != "5":
            content["note"] = INVISIBLE_REFUSALS
        return content
