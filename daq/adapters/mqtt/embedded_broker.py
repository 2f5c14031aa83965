"""A broker inside the process, for the demonstration and for a single bench.

It supports MQTT 3.1.1 only and keeps no message over a restart.  A plant needs a separate broker.
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


class PasswordPlugin(BaseAuthPlugin):  # type: ignore[misc]  # amqtt has no type hints
    """Accept only connections with a known user name and its password."""

    @dataclass
    class Config:
        """Passwords by name."""

        passwords: dict[str, str] = field(default_factory=dict, repr=False)

    def __init__(self, context: BaseContext) -> None:
        super().__init__(context)
        self._passwords: dict[str, str] = dict(self._get_config_option("passwords", {}))

    async def authenticate(self, *, session: Session) -> bool:
        """Return whether user name and password of a connecting client are correct."""
        expected = self._passwords.get(session.username or "")
        given = session.password or ""
        return expected is not None and secrets.compare_digest(expected.encode(), given.encode())


class EmbeddedBroker:
    """A broker for clients on this machine.

    Attributes:
        host, port: address it listens on; a port of 0 is replaced by the real one in `start`.
        passwords: password of each user.  There is no access without a user name, because the library does not keep
            sessions of anonymous clients.
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
        """Return the settings of one of its users, with MQTT 3.1.1 set: this saves the useless attempt with MQTT 5."""
        return MqttSettings(host=self.host, port=self.port, user=user, password=self.passwords[user], protocol="3.1.1")

    async def start(self) -> None:
        """Start to listen.

        Raises:
            LinkError: the port is in use or is not permitted.
        """
        quiet_logging()
        name = f"{PasswordPlugin.__module__}.{PasswordPlugin.__qualname__}"
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
        """Disconnect all clients and close the port."""
        broker, self._broker = self._broker, None
        if broker is not None:
            await broker.shutdown()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()


def quiet_logging() -> None:
    """Silence the library's log, which names every packet; its errors are still logged."""
    for name in _LOGGERS:
        logging.getLogger(name).setLevel(logging.ERROR)


def _port_of(broker: Broker) -> int:
    server: Any = broker._servers["default"].instance  # noqa: SLF001 - the library has no public attribute for its real port
    port: int = server.sockets[0].getsockname()[1]
    return port
