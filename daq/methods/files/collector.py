"""The collector's file: broker, topics and database."""

from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from daq.methods.files.broker import SECOND, Broker, Secret, TcpPort, Tls
from daq.methods.files.daemon import Metrics
from daq.methods.files.fields import Duration, KeyedError, Listed, Model, Name, Text
from daq.methods.files.hosts import DatabaseHost

DAY = 86_400 * SECOND
LONGEST_SESSION = 2**32 - 2
"""Longest session in seconds; the next number means that a session never expires (MQTT 5, section 3.1.2.11.2)."""


def levels(value: object) -> object:
    """Return the plant's levels before ``lab/v1``, checked as a topic filter; ``+`` matches any one level."""
    if not isinstance(value, str):
        return value
    parts = value.split("/")
    if "#" in value or any(not p or ("+" in p and p != "+") or p.startswith("$") for p in parts):
        raise ValueError(
            f"{value!r} is not a list of levels; write them with / between and + for any one, as in 'glaze-works/+/+'"
        )
    if parts[-2:] == ["lab", "v1"]:
        raise ValueError(f"{value!r}: leave out 'lab/v1', it is added")
    return value


Levels = Annotated[str, BeforeValidator(levels)]


class Postgres(Model):
    """The database to which results are written."""

    host: DatabaseHost = Field(description="name or address of the server, or the folder of its socket")
    port: TcpPort = 5432
    database: Text = Field(description="name of the database; the collector makes its own schema 'lab' in it")
    user: Text | None = None
    password: Secret | None = None
    tls: Tls | None = None
    """If given, the server's certificate is checked against its name."""


class Gaps(Model):
    """When results that are missing in a sequence are requested."""

    history: bool = True
    """True: also request the results that a daemon made before the collector received its first one."""
    patience: Duration = 10 * SECOND
    """Time after which a result that has not arrived counts as missing."""
    again: Duration = 10 * SECOND
    """Wait before the second request for the same missing results; it doubles with each request."""
    again_most: Duration = 3600 * SECOND
    most_missing: Annotated[int, Field(ge=1, le=1_000_000_000)] = 100_000
    """Largest number of missing results of one instrument; a status that announces more is not believed."""


class Collector(Model):
    """Everything about `daq collect`."""

    group: Name = "historian"
    """Workers of one group share the messages among them."""
    topics: Annotated[tuple[Levels, ...], Listed, Field(strict=False, min_length=1)]
    curves: bool = True
    readings: bool = False
    """True: also store live readings."""
    window: Annotated[int, Field(ge=1, le=20_000)] = 500
    """Largest number of messages that are received and not yet committed."""
    session: Duration = 7 * DAY
    """Time for which the broker keeps messages for a worker that is not connected."""
    broker: Broker
    postgres: Postgres
    gaps: Gaps = Gaps()
    metrics: Metrics | None = None
    """As in the daemon's file; the file's name gets the worker's name before ``.prom``."""

    @model_validator(mode="after")
    def _session_fits(self) -> Self:
        if not 60 * SECOND <= self.session <= LONGEST_SESSION * SECOND:
            raise KeyedError("session", "must be at least '60 s' and less than 49,710 days")
        if self.broker.version == "3.1.1":
            raise KeyedError("broker.version", "must be left out: sharing messages among workers needs MQTT 5")
        if self.broker.client_id is not None:
            raise KeyedError("broker.client_id", "must be left out: it is made of the group and the worker's name")
        return self
