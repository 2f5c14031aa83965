"""The daemon's file."""

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from daq.methods.broker import Broker
from daq.methods.fields import KeyedError, Model, Name, Text
from daq.methods.sparkplug import Sparkplug

Level = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^/+#\s$][^/+#]*$")]


class Mqtt(Broker):
    """The broker results are published to."""


class Site(Model):
    """Levels of the topic; any may be left out."""

    enterprise: Level | None = None
    site: Level | None = None
    area: Level | None = None
    line: Level | None = None
    cell: Level | None = None

    @property
    def prefix(self) -> str:
        """The levels given, joined by ``/``, with a trailing ``/`` where there is one."""
        levels = (self.enterprise, self.site, self.area, self.line, self.cell)
        return "".join(f"{level}/" for level in levels if level is not None)


class Folders(Model):
    """Where the other files are, seen from the folder of the daemon's file."""

    instruments: Text = "instruments"
    methods: Text = "methods"
    products: Text = "products"
    fluids: Text = "fluids"


class Log(Model):
    """What the daemon writes about itself."""

    level: Literal["debug", "info", "warning", "error"] = "info"
    format: Literal["auto", "json", "console"] = "auto"


class Daemon(Model):
    """Everything about one daemon that is not an instrument, a method or a product."""

    state: Text | None = None
    """The state directory; --state and $STATE_DIRECTORY go before it."""
    enable: Annotated[tuple[Name, ...] | None, Field(strict=False)] = None
    """Names of the instruments to serve; all in the folder where left out."""
    folders: Folders = Folders()
    topic: Site = Site()
    mqtt: Mqtt | None = None
    sparkplug: Sparkplug | None = None
    log: Log = Log()

    @model_validator(mode="before")
    @classmethod
    def _no_literal_secret(cls, value: Any) -> Any:
        if isinstance(value, dict) and "password" in value:
            raise KeyedError("password", "belongs into [mqtt], as a reference: password = { file = ... }")
        return value

    @model_validator(mode="after")
    def _sparkplug_has_a_broker(self) -> Self:
        if self.sparkplug is not None and self.sparkplug.broker is None and self.mqtt is None:
            raise KeyedError("sparkplug", "names no broker: add [sparkplug.broker], or [mqtt] whose broker it takes")
        return self
