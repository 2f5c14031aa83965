"""Settings of a broker's connection, common to all tables that name a broker."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from daq.methods.files.fields import Duration, KeyedError, Model, Text
from daq.methods.files.hosts import BrokerHost, goes_openly

SECOND = 1_000_000_000
TcpPort = Annotated[int, Field(ge=1, le=65535)]


class Secret(Model):
    """Place of a secret; the secret itself is never in a configuration file."""

    credential: Text | None = None
    """Name of a systemd credential (LoadCredential= in the unit)."""
    env: Text | None = None
    """Name of an environment variable."""
    file: Text | None = None
    """Path of a file with the secret in its first line; only its owner may be able to read it."""

    @model_validator(mode="before")
    @classmethod
    def _not_written_here(cls, value: object) -> object:
        if not isinstance(value, (dict, Secret)):
            raise ValueError(  # noqa: TRY004 - pydantic takes ValueError; its own message would show the secret
                "a password is not written into this file, because every reader and every backup would have it; "
                'put it into a file and write password = { file = "/etc/daq/mqtt-password" }, '
                "or use { credential = ... } or { env = ... }"
            )
        return value

    @model_validator(mode="after")
    def _one(self) -> Self:
        given = [k for k in ("credential", "env", "file") if getattr(self, k) is not None]
        if len(given) != 1:
            raise ValueError(
                f"name one place of the password: credential, env or file; here: {', '.join(given) or 'none'}"
            )
        return self


class Tls(Model):
    """Encryption of the connection to a server."""

    ca: Text | None = None
    """File of the certificate authority; left out: the system's authorities."""
    certificate: Text | None = None
    key: Text | None = None

    @model_validator(mode="after")
    def _pair(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            missing = "key" if self.key is None else "certificate"
            raise KeyedError(missing, "a client certificate and its key belong together: give both or neither")
        return self


class Broker(Model):
    """A broker, and the identity of this client."""

    host: BrokerHost = Field(description="name or address of the broker")
    port: TcpPort | None = None
    version: Literal["auto", "5", "3.1.1"] = "auto"
    client_id: Text | None = None
    user: Text | None = None
    password: Secret | None = None
    tls: Tls | None = None
    keepalive: Duration = 30 * SECOND

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.password is not None and self.user is None:
            raise KeyedError("user", "is missing: a password needs the user it belongs to")
        return self

    @property
    def sends_password_openly(self) -> bool:
        """True where the password goes without encryption to another machine."""
        return goes_openly(self.host, password=self.password is not None, tls=self.tls is not None)

    @property
    def tcp_port(self) -> int:
        """The given port, otherwise the registered one: 8883 with TLS, 1883 without."""
        return self.port if self.port is not None else (8883 if self.tls else 1883)
