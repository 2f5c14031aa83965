"""How a broker is reached, and what TLS to it demands."""

import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from daq.core.errors import SettingError


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """How to reach the broker.

    Attributes:
        port: 0 takes 8883 with TLS and 1883 without.
        password: the secret itself; it is in no `repr` and no log.
        ca_file: certificates to trust instead of the system's.
        cert_file, key_file: certificate by which the broker knows this client.
        client_id: "" takes a name made from the database's identity.
        protocol: ``auto`` tries MQTT 5 and falls back to 3.1.1.
        timeout_s: for connecting and for each acknowledgement.
        backoff_first_s, backoff_most_s: waits between attempts to connect double from the first to the most.
        retry_first_s, retry_most_s: the same for topics whose messages are refused.
        repeat_after_loss_s: when the connection was lost, what was acknowledged so long before is published again; 0
            for never.
        session_s: how long the broker is asked to remember us (MQTT 5); that it does not tells that it lost its memory.
        status_every_s: status is published again at most so often.
    """

    host: str
    port: int = 0
    user: str = ""
    password: str = field(default="", repr=False)
    tls: bool = False
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""
    client_id: str = ""
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    keepalive_s: int = 30
    timeout_s: float = 10.0
    backoff_first_s: float = 1.0
    backoff_most_s: float = 60.0
    retry_first_s: float = 60.0
    retry_most_s: float = 3600.0
    repeat_after_loss_s: float = 60.0
    session_s: int = 7 * 86_400
    status_every_s: float = 5.0

    @property
    def real_port(self) -> int:
        """The port that is used."""
        return self.port or (8883 if self.tls else 1883)

    @property
    def place(self) -> str:
        """Host and port, for a person."""
        return f"{self.host}:{self.real_port}"


class _Socket(ssl.SSLSocket):
    """Closes itself when the two sides cannot agree, which the client library forgets."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def tls_context(settings: MqttSettings) -> ssl.SSLContext | None:
    """The TLS set-up, or None without TLS.

    Raises:
        SettingError: a file is missing or is not what it should be.
    """
    if not settings.tls:
        return None
    for key in ("ca_file", "cert_file", "key_file"):
        name = getattr(settings, key)
        if name and not Path(name).is_file():
            raise SettingError(f"there is no file {name}", key=f"mqtt.{key}")
    try:
        context = ssl.create_default_context(cafile=settings.ca_file or None)
    except ssl.SSLError as error:
        raise SettingError(
            f"{settings.ca_file} holds no certificates in PEM form ({error.reason})", key="mqtt.ca_file"
        ) from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _Socket
    if settings.cert_file:
        try:
            context.load_cert_chain(settings.cert_file, settings.key_file or None)
        except ssl.SSLError as error:
            raise SettingError(
                f"certificate {settings.cert_file} and key {settings.key_file or 'in the same file'} do not fit "
                f"({error.reason})",
                key="mqtt.cert_file",
            ) from error
    return context
