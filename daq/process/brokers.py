"""Read the connection settings of a broker, and its secrets, from a configuration file."""

import os
from pathlib import Path
from typing import Final

from daq.adapters.mqtt.settings import MqttSettings
from daq.core.errors import SettingError
from daq.methods.files.broker import Broker, Secret
from daq.textfiles.plain_file import read_plain

LARGEST_SECRET: Final = 10_000
"""Greatest size of a file with a password, bytes."""


def broker_settings(mqtt: Broker, file: str, table: str = "mqtt") -> MqttSettings:
    """Return the connection settings of the broker `mqtt`, which is the table `table` of `file`.

    Raises:
        SettingError: the password cannot be read, or a file of [tls] is a folder, a pipe or a device.
    """
    tls = mqtt.tls
    for name in ("ca", "certificate", "key") if tls is not None else ():
        _refuse_device(getattr(tls, name), file, f"{table}.tls.{name}")
    return MqttSettings(
        host=mqtt.host,
        port=mqtt.tcp_port,
        user=mqtt.user or "",
        password=read_secret(mqtt.password, file, f"{table}.password") if mqtt.password is not None else "",
        tls=tls is not None,
        ca_file=(tls.ca or "") if tls else "",
        cert_file=(tls.certificate or "") if tls else "",
        key_file=(tls.key or "") if tls else "",
        client_id=mqtt.client_id or "",
        protocol=mqtt.version,
        keepalive_s=max(5, round(mqtt.keepalive / 1e9)),
    )


def _refuse_device(path: str | None, file: str, key: str) -> None:
    """Refuse a pipe or a device, for which the library would wait; a missing file is reported with the connection."""
    try:
        special = path is not None and Path(path).exists() and not Path(path).is_file()
    except OSError:
        return
    if special:
        raise SettingError(f"{path} is no regular file", file=file, key=key)


def read_secret(secret: Secret, file: str, key: str = "mqtt.password") -> str:
    """Return the secret from the place that `file` names: a systemd credential, an environment variable or a file.

    Raises:
        SettingError: the secret is missing, or its file can be read by other users.
    """
    if secret.env is not None:
        value = os.environ.get(secret.env)
        if not value:
            raise SettingError(f"the environment variable {secret.env} is not set", file=file, key=key)
        return value
    if secret.credential is not None:
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        if not folder:
            raise SettingError(
                "a systemd credential is named, but systemd passed none; add LoadCredential= to the unit",
                file=file,
                key=key,
            )
        return _first_line(Path(folder) / secret.credential, file, key, private=False)
    return _first_line(Path(secret.file or ""), file, key, private=True)


def _first_line(path: Path, file: str, key: str, *, private: bool) -> str:
    try:
        open_to_others = private and path.stat().st_mode & 0o077
        text = read_plain(path, LARGEST_SECRET, what="a file with a password").decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingError(f"{path} cannot be read: {error}", file=file, key=key) from None
    except SettingError as error:
        raise SettingError(f"{path} {error.reason}", file=file, key=key) from None
    if open_to_others:
        raise SettingError(f"{path} can be read by others; run: chmod 600 {path}", file=file, key=key)
    return text.partition("\n")[0].strip()
