"""Settings of a connection to a broker, and its TLS context."""

import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from daq.core.errors import SettingError


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """Address, credentials and time limits for a broker.

    Attributes:
        port: 0 means 8883 with TLS and 1883 without.
        password: the secret itself; `repr` and logs never show it.
        ca_file: certificates to trust in place of the system's.
        cert_file, key_file: certificate with which this client identifies itself to the broker.
        client_id: "" means a name made from the database's identity.
        protocol: ``auto`` means MQTT 5, or 3.1.1 with a broker that shows that it does not support MQTT 5 (see
            `daq.adapters.mqtt.versions`).
        keepalive_s: keep-alive interval, s.
        timeout_s: longest wait for the connection and for each acknowledgement, s.
        backoff_first_s, backoff_most_s: first and longest wait (s) between attempts to connect; each wait is twice the
            one before.
        retry_first_s, retry_most_s: first and longest wait (s) between attempts with a topic whose messages are
            refused.
        repeat_after_loss_s: messages acknowledged within this time (s) before a lost connection are published again;
            0 repeats none.
        session_s: time (s) for which the broker is asked to keep the session (MQTT 5).  A missing session shows that
            the broker lost its memory.
        status_every_s: shortest time (s) between two status messages.
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
        """Port with the default filled in."""
        return self.port or (8883 if self.tls else 1883)

    @property
    def place(self) -> str:
        """Host and port as text for messages."""
        return f"{self.host}:{self.real_port}"


class _Socket(ssl.SSLSocket):
    """A socket that closes itself when the handshake fails; the client library would leave it open."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def tls_context(settings: MqttSettings) -> ssl.SSLContext | None:
    """Return the TLS context, or None without TLS.

    Raises:
        SettingError: a certificate or key file is missing or invalid.
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
