"""The MQTT version that each broker is known to speak, kept in a file of the state directory.

A broker that was asked once is not asked again at each connection, and `daq doctor` knows the version without a daemon.
"""

import contextlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.clock import utc_text

if TYPE_CHECKING:
    from daq.adapters.mqtt.versions import SpokenVersion

FILE: Final = "brokers.json"


@dataclass(frozen=True, slots=True)
class Fallback:
    """The use of MQTT 3.1.1 with a broker that does not support MQTT 5."""

    reason: str
    since: str
    """UTC, ISO 8601."""

    def __str__(self) -> str:
        """Return a sentence for a person."""
        return (
            f"MQTT 3.1.1 is used since {self.since}, because the broker does not support MQTT 5: {self.reason}; "
            "messages that its access rules drop look delivered"
        )


class BrokerVersions:
    """The file: one entry for each broker, by its host and port."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE
        self._entries = _read(self.path)

    def spoken(self, place: str) -> "SpokenVersion":
        """Return the known version of a broker; a process asks each broker once for MQTT 5."""
        from daq.adapters.mqtt.versions import SpokenVersion  # noqa: PLC0415 - lists do without MQTT

        entry = self._entries.get(place)
        if entry is None:
            return SpokenVersion()
        return SpokenVersion(entry["version"], entry["reason"])

    def fallback(self, place: str) -> Fallback | None:
        """Return why and since when MQTT 3.1.1 is used with a broker; None with MQTT 5 or an unknown broker."""
        entry = self._entries.get(place)
        return None if entry is None or entry["version"] == "5" else Fallback(entry["reason"], entry["since"])

    def fallbacks(self) -> list[str]:
        """Return a sentence for each broker with which MQTT 3.1.1 is used."""
        return [f"{place}: {found}" for place in sorted(self._entries) if (found := self.fallback(place)) is not None]

    def note(self, place: str, spoken: "SpokenVersion", utc_ns: int) -> bool:
        """Store the version of a broker; return whether it is new.  A file that cannot be written is logged."""
        entry = {"version": spoken.version, "reason": spoken.reason}
        before = self._entries.get(place, {})
        if all(before.get(key) == value for key, value in entry.items()):
            return False
        self._entries[place] = {**entry, "since": utc_text(utc_ns)}
        draft = self.path.with_suffix(".new")
        try:
            draft.write_text(json.dumps(self._entries, indent=1), "utf-8")
            draft.replace(self.path)
        except OSError as error:
            # The present process remembers the version; the next one asks the broker again.
            import structlog  # noqa: PLC0415 - as above

            structlog.get_logger().warning("a file cannot be written", file=str(self.path), reason=str(error))
            with contextlib.suppress(OSError):
                draft.unlink(missing_ok=True)
        return True


def _read(path: Path) -> dict[str, dict[str, Any]]:
    """Return the entries of the file; none where it is missing or cannot be read."""
    try:
        found = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(found, dict):
        return {}
    return {place: entry for place, entry in found.items() if _is_valid(entry)}


def _is_valid(entry: Any) -> bool:
    return (
        isinstance(entry, dict)
        and entry.get("version") in ("5", "3.1.1")
        and isinstance(entry.get("reason"), str)
        and isinstance(entry.get("since"), str)
    )
