"""Other daemons under the same prefix, and false "offline" messages, noticed through the own status topic.

Two daemons with one prefix publish their status on one topic, and each replaces the other's.  Every status names the
instance of the process that made it, so a status of another instance shows the other daemon.  The first status of a
new instance is answered once with the own one, so that each of two daemons learns of the other, and no exchange
without end begins.  A message "offline" while this daemon works is false: it is the will of an earlier connection, or
the end of the other daemon.
"""

import json
from typing import Any, Final

import structlog

from daq.adapters.outbox.publisher_state import PublisherState

LARGEST: Final = 1 << 16
"""Largest status (bytes) that is read; a larger one is not from daq."""
MOST_OTHERS: Final = 20
"""Number of other instances that are named and answered."""


class Neighbours:
    """Judges the messages on the own status topic.

    Attributes:
        is_false: the broker shows another status than the own one; the owner publishes it and clears this.
    """

    def __init__(self, instance: str, state: PublisherState) -> None:
        """Take the instance of this process, and the state that names the others."""
        self._instance, self._state = instance, state
        self._log = structlog.get_logger().bind(part="publisher")
        self.is_false = False

    def arrived(self, payload: bytes) -> None:
        """Take a message on the own status topic."""
        found = _decoded(payload)
        instance, source = str(found.get("instance", "")), str(found.get("source", "unknown"))[:60]
        others = self._state.others
        if found.get("state") != "online":
            if others.pop(instance, None) is not None:
                self._log.info("the other daemon under this prefix has stopped", source=source)
            else:
                self._log.warning("a false offline status was published for this bench; it is put right", source=source)
            self.is_false = True
        elif instance != self._instance and instance not in others and len(others) < MOST_OTHERS:
            others[instance] = source
            self._log.error("another daemon publishes under the prefix of this bench", source=source)
            self.is_false = True


def _decoded(payload: bytes) -> dict[str, Any]:
    try:
        found = json.loads(payload) if len(payload) <= LARGEST else {}
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
