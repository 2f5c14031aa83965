"""The daemon's file."""

import ipaddress
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from daq.methods.files.broker import SECOND, Broker
from daq.methods.files.fields import Duration, KeyedError, Model, Name, Text
from daq.methods.files.sparkplug import Sparkplug

Level = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^/+#\s$][^/+#]*$")]


class Mqtt(Broker):
    """The broker results are published to."""

    flat: bool = False
    """Whether each result is published a second time without nesting, for connectors that cannot read nested JSON."""
    live_every: Duration | None = None
    """How often the newest reading of each instrument is published, never queued; left out: not at all."""
    repeat_after_loss: Duration = 60 * SECOND
    """After the connection was lost, what was acknowledged so long before is published again; ``0 s``: never."""

    @model_validator(mode="after")
    def _not_too_often(self) -> Self:
        if self.live_every is not None and self.live_every < SECOND // 10:
            raise KeyedError("live_every", "must be at least '0.1 s'; leave it out for no live values")
        return self


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


class Metrics(Model):
    """Figures for whoever watches the daemon, in Prometheus' text format."""

    listen: Text | None = None
    """``127.0.0.1:9464``: answers ``GET /metrics`` there.  Loopback only; left out: no port."""
    file: Text | None = None
    """Written anew every `every`, for a collector that reads files; it must end in ``.prom``."""
    every: Duration = 15 * SECOND

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if self.listen is not None and not self._is_loopback():
            raise KeyedError(
                "listen",
                f"{self.listen!r} is not a loopback address with a port, such as '127.0.0.1:9464'; figures leave "
                "this machine only through a collector or proxy of yours that asks who wants them",
            )
        if self.file is not None and not self.file.endswith(".prom"):
            raise KeyedError("file", "must end in .prom, otherwise the collector does not read it")
        if self.every < SECOND:
            raise KeyedError("every", "must be at least '1 s'")
        return self

    def _is_loopback(self) -> bool:
        try:
            host, port = self.address
            return ipaddress.ip_address(host).is_loopback and 0 < port < 65536
        except ValueError:
            return False

    @property
    def address(self) -> tuple[str, int]:
        """Host and port of `listen`; ValueError where it is none."""
        host, _, port = (self.listen or "").rpartition(":")
        return host.removeprefix("[").removesuffix("]"), int(port)


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
    metrics: Metrics | None = None
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
