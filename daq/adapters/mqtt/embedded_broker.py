"""A broker inside the process, for the demonstration and for a single bench.

It speaks MQTT 3.1.1 only and keeps nothing over a restart; a plant runs a broker of its own.
"""

import logging
import secrets
from dataclasses import dataclass, field
from typing import Any, Final, Self

from amqtt.broker import Broker
from amqtt.contexts import BaseContext, BrokerConfig, ListenerConfig
from amqtt.errors import BrokerError as LibraryError
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

from daq.adapters.mqtt.settings import MqttSettings
from daq.core.errors import LinkError

_LOGGERS: Final = ("amqtt", "transitions")


class KnownUsers(BaseAuthPlugin):  # type: ignore[misc]  # amqtt has no types we can see
    """Lets in who gives a name and the password that belongs to it, and nobody else."""

    @dataclass
    class Config:
        """Passwords by name."""

        passwords: dict[str, str] = field(default_factory=dict, repr=False)

    def __init__(self, context: BaseContext) -> None:
        super().__init__(context)
        self._passwords: dict[str, str] = dict(self._get_config_option("passwords", {}))

    async def authenticate(self, *, session: Session) -> bool:
        """Whether name and password of a connecting client fit."""
        expected = self._passwords.get(session.username or "")
        given = session.password or ""
        return expected is not None and secrets.compare_digest(expected.encode(), given.encode())


class EmbeddedBroker:
    """Runs on this machine only.

    Attributes:
        host, port: where it listens; the port is known once it runs.
        passwords: by user.  Named users only: sessions of nameless ones would be forgotten by the library.
    """

    def __init__(
        self, *, host: str = "127.0.0.1", port: int = 0, users: tuple[str, ...] = ("daq", "historian")
    ) -> None:
        self.host = host
        self.port = port
        self.passwords = {user: secrets.token_urlsafe(16) for user in users}
        self._broker: Broker | None = None

    def __repr__(self) -> str:
        return f"EmbeddedBroker({self.host}:{self.port}, users {', '.join(self.passwords)})"

    def settings(self, user: str) -> MqttSettings:
        """How one of its users connects.  No time is lost by asking it for MQTT 5, which it does not know."""
        return MqttSettings(host=self.host, port=self.port, user=user, password=self.passwords[user], protocol="3.1.1")

    async def start(self) -> None:
        """Listen.

        Raises:
            LinkError: the port is taken or may not be used.
        """
        quiet_logging()
        name = f"{KnownUsers.__module__}.{KnownUsers.__qualname__}"
        config = BrokerConfig(
            listeners={"default": ListenerConfig(bind=f"{self.host}:{self.port}")},
            plugins={name: {"passwords": self.passwords}},
        )
        broker = Broker(config)
        try:
            await broker.start()
        except LibraryError as error:
            raise LinkError(f"the embedded broker cannot listen on {self.host}:{self.port}: {error}") from error
        self._broker = broker
        self.port = _port_of(broker)

    async def stop(self) -> None:
        """Disconnect everybody and close the port."""
        broker, self._broker = self._broker, None
        if broker is not None:
            await broker.shutdown()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()


def quiet_logging() -> None:
    """Keep the library's log, which names every packet, out of ours; its errors stay."""
    for name in _LOGGERS:
        logging.getLogger(name).setLevel(logging.ERROR)


def _port_of(broker: Broker) -> int:
    server: Any = broker._servers["default"].instance  # noqa: SLF001 - the library does not tell a port it was given
    port: int = server.sockets[0].getsockname()[1]
    return port
