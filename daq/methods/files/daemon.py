"""The daemon's file."""

import ipaddress
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from daq.methods.files.broker import SECOND, Broker
from daq.methods.files.fields import Duration, KeyedError, Model, Name, Text
from daq.methods.files.hosts import UNENCRYPTED
from daq.methods.files.retention import Retention
from daq.methods.files.sparkplug import Sparkplug

Level = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^/+#\s$][^/+#]*$")]


class Mqtt(Broker):
    """The broker to which results are published."""

    flat: bool = False
    """True: publish each result a second time without nesting, for connectors that cannot read nested JSON."""
    live_every: Duration | None = None
    """Interval at which the newest reading of each instrument is published, never queued; left out: never."""
    repeat_after_loss: Duration = 60 * SECOND
    """After a loss of the connection, messages that were acknowledged within this time before are published again.

    ``0 s``: never."""

    @model_validator(mode="after")
    def _not_too_often(self) -> Self:
        if self.live_every is not None and self.live_every < SECOND // 10:
            raise KeyedError("live_every", "must be at least '0.1 s'; leave it out for no live values")
        return self


class Site(Model):
    """Levels of the topic; each can be left out."""

    enterprise: Level | None = None
    site: Level | None = None
    area: Level | None = None
    line: Level | None = None
    cell: Level | None = None

    @property
    def prefix(self) -> str:
        """The given levels, each followed by ``/``; "" without any."""
        levels = (self.enterprise, self.site, self.area, self.line, self.cell)
        return "".join(f"{level}/" for level in levels if level is not None)


class Folders(Model):
    """Folders of the other files, relative to the folder of the daemon's file."""

    instruments: Text = "instruments"
    methods: Text = "methods"
    products: Text = "products"
    fluids: Text = "fluids"


class Metrics(Model):
    """Metrics for monitoring, in Prometheus' text format."""

    listen: Text | None = None
    """Address such as ``127.0.0.1:9464`` that answers ``GET /metrics``.  Loopback only; left out: no port."""
    file: Text | None = None
    """File that is replaced at the interval `every`, for an exporter that reads files; it must end in ``.prom``."""
    every: Duration = 15 * SECOND

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if self.listen is not None and "@" in self.listen:
            raise KeyedError("listen", "holds a user or a password; write only the address, such as '127.0.0.1:9464'")
        if self.listen is not None and not self._is_loopback():
            raise KeyedError(
                "listen",
                f"{self.listen!r} is not a loopback address with a port, such as '127.0.0.1:9464'; to read the metrics "
                "from another machine, use a collector or proxy with a log-in",
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
        """Host and port of `listen`; `ValueError` if it is no address."""
        host, _, port = (self.listen or "").rpartition(":")
        return host.removeprefix("[").removesuffix("]"), int(port)


class Page(Model):
    """The page for bench and desk (`daq page`)."""

    listen: Text = "127.0.0.1:8042"
    """Address with a port.  Another address than loopback needs a certificate, and people switched on."""
    certificate: Text | None = None
    """File with the certificate and its chain (PEM)."""
    key: Text | None = None
    """File with the key of the certificate (PEM)."""
    hosts: Annotated[tuple[Text, ...], Field(strict=False)] = ()
    """Further names by which browsers reach the page, such as ``lab.example.org``, with a port where it differs."""

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if self.address is None:
            raise KeyedError("listen", f"{self.listen!r} is no address with a port, such as '127.0.0.1:8042'")
        if (self.certificate is None) != (self.key is None):
            missing = "certificate" if self.certificate is None else "key"
            raise KeyedError(missing, "is missing: certificate and key belong together")
        if not self.is_loopback and self.certificate is None:
            raise KeyedError("certificate", f"is missing: {self.listen} can be reached from other machines")
        return self

    @property
    def address(self) -> tuple[str, int] | None:
        """Host and port of `listen`; None if it is no address."""
        host, _, port = self.listen.rpartition(":")
        host = host.removeprefix("[").removesuffix("]")
        try:
            ipaddress.ip_address(host)
            number = int(port)
        except ValueError:
            return None
        return (host, number) if 0 <= number < 65536 else None

    @property
    def is_loopback(self) -> bool:
        """True where only this machine reaches `listen`."""
        return self.address is not None and ipaddress.ip_address(self.address[0]).is_loopback


class Log(Model):
    """The daemon's log."""

    level: Literal["debug", "info", "warning", "error"] = "info"
    format: Literal["auto", "json", "console"] = "auto"


class People(Model):
    """Persons with roles, instead of logins alone."""

    required: bool = False
    """True: only persons act and measure, each in their role (`daq person`)."""
    review_own: bool = False
    """True: a person may review, release and reject what the same person measured."""


class Daemon(Model):
    """Settings of one daemon, apart from instruments, methods, products and fluids."""

    state: Text | None = None
    """The state directory; --state and $STATE_DIRECTORY have priority.

    Left out: /var/lib/daq for a file in /etc/daq, as the systemd unit has it, otherwise a folder of the login."""
    socket_group: Text | None = None
    """Group of this machine whose members may use the daemon's socket; left out: only the daemon's own login."""
    computes_apart: bool = False
    """True: conclusions, flow curves and health figures of runs are computed in a process of their own.

    It helps where many benches share one daemon and a processor core is free; it needs 110 MB more.
    """
    enable: Annotated[tuple[Name, ...] | None, Field(strict=False)] = None
    """Names of the instruments to serve; left out: all in the folder."""
    folders: Folders = Folders()
    topic: Site = Site()
    mqtt: Mqtt | None = None
    sparkplug: Sparkplug | None = None
    metrics: Metrics | None = None
    log: Log = Log()
    people: People = People()
    page: Page = Page()
    retention: Retention = Retention()

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

    @model_validator(mode="after")
    def _page_knows_its_visitors(self) -> Self:
        if not self.page.is_loopback and not self.people.required:
            raise KeyedError(
                "page.listen", f"{self.page.listen} can be reached from other machines; set required = true in [people]"
            )
        return self

    @property
    def open_passwords(self) -> dict[str, str]:
        """A warning for each password that goes without encryption to another machine, by the key of its host."""
        tables = {"mqtt": self.mqtt, "sparkplug.broker": self.sparkplug.broker if self.sparkplug is not None else None}
        return {
            f"{table}.host": UNENCRYPTED.format(host=broker.host, table=table)
            for table, broker in tables.items()
            if broker is not None and broker.sends_password_openly
        }
