"""Topic names of a bench: ``{enterprise}/{site}/{area}/{line}/{cell}/lab/v1/...``."""

from dataclasses import dataclass, fields
from typing import Final

from daq.core.errors import SettingError

BRANCH: Final = "lab/v1"
LONGEST: Final = 65_535
"""Greatest length of a topic name, bytes (MQTT 5, section 1.5.4)."""


@dataclass(frozen=True, slots=True)
class Topics:
    """Builder of topic names.  A level of the plant's hierarchy that is "" is left out.

    Raises:
        SettingError: a level holds ``+``, ``#``, ``/`` or a control character, or begins with ``$``.
    """

    enterprise: str = ""
    site: str = ""
    area: str = ""
    line: str = ""
    cell: str = ""

    def __post_init__(self) -> None:
        for f in fields(self):
            level = getattr(self, f.name)
            if level:
                check_level(level, key=f"mqtt.topic.{f.name}")

    @property
    def prefix(self) -> str:
        """Common start of all topics of this bench, without a slash at the end."""
        levels = (self.enterprise, self.site, self.area, self.line, self.cell)
        return "/".join([level for level in levels if level] + [BRANCH])

    def result(self, instrument: str) -> str:
        """Return the topic of an instrument's results: at least once, not retained."""
        return self._build("result", instrument)

    def flat(self, instrument: str) -> str:
        """Return the topic of the results as flat JSON, for connectors without nested JSON: as `result`."""
        return self._build("flat", instrument)

    def curve(self, instrument: str) -> str:
        """Return the topic of an instrument's flow curves, sent after the results: at least once, not retained."""
        return self._build("curve", instrument)

    def reportable(self, instrument: str) -> str:
        """Return the topic of the reportable results with a run on an instrument: at least once, not retained."""
        return self._build("reportable", instrument)

    def signature(self, instrument: str) -> str:
        """Return the topic of the signatures under results of an instrument: at least once, not retained."""
        return self._build("signature", instrument)

    def last(self, instrument: str) -> str:
        """Return the topic of an instrument's newest result, retained."""
        return self._build("last", instrument)

    def last_of_all(self) -> str:
        """Return the topic filter of the newest results of all instruments."""
        return f"{self.prefix}/last/+"

    def live(self, instrument: str) -> str:
        """Return the topic of the readings during a run: at most once."""
        return self._build("live", instrument)

    def status(self) -> str:
        """Return the topic of the bench's status, retained."""
        return self._build("status")

    def collected(self, instrument: str) -> str:
        """Return the topic of the highest result of an instrument that a collector has stored, retained."""
        return self._build("collected", instrument)

    def collected_of_all(self) -> str:
        """Return the topic filter of the highest stored results of all instruments."""
        return f"{self.prefix}/collected/+"

    def refill(self) -> str:
        """Return the topic on which consumers ask for results again."""
        return self._build("refill")

    @property
    def answers(self) -> str:
        """Start of the topics on which answers to requests are published, without a slash at the end."""
        return f"{self.prefix}/answer"

    def schema(self, name: str, version: str) -> str:
        """Return the topic of a payload's JSON Schema, retained."""
        return self._build("schema", name, version)

    def _build(self, *levels: str) -> str:
        for level in levels:
            check_level(level, key="topic")
        topic = "/".join((self.prefix, *levels))
        if len(topic.encode()) > LONGEST:
            raise SettingError(f"the topic is longer than {LONGEST} bytes: shorten the levels", key="mqtt.topic")
        return topic


def check_level(level: str, *, key: str) -> None:
    """Raise `SettingError` where `level` cannot be one level of a topic name."""
    if not level:
        raise SettingError("a level of a topic is empty: give it a name", key=key)
    found = [c for c in level if c in "+#/" or ord(c) < 0x20 or 0x7F <= ord(c) < 0xA0]
    if found:
        raise SettingError(f"{level!r} holds {found[0]!r}, which is reserved in topics: leave it out", key=key)
    if level.startswith("$"):
        raise SettingError(
            f"{level!r} begins with '$', which is reserved for the broker: begin with another character", key=key
        )
