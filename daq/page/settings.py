"""The settings of the page's process: address, names, certificate, and its signing key."""

import os
import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Self

from daq.adapters.paths import DAEMON_FILE, config_dir, make_private, socket_path, state_dir
from daq.app.setup.state_folder import state_of
from daq.core.errors import SettingError
from daq.methods.files.daemon import Daemon
from daq.methods.files.load import load_daemon, parse

KEY_FILE: Final = "signing.key"
KEY_BYTES: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSettings:
    """Settings of one page.

    Attributes:
        socket: the daemon's socket.
        host, port: address; port 0 means a free one.
        hosts: further values of the header Host.
        certificate, key: files of TLS; None for none.
        people: people are switched on.
        signing_key: signs cookies.
    """

    socket: Path
    host: str = "127.0.0.1"
    port: int = 0
    hosts: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    people: bool = False
    signing_key: bytes = field(default=b"", repr=False)

    @property
    def secure(self) -> bool:
        """True where browsers reach the page by TLS."""
        return self.certificate is not None

    @property
    def origin(self) -> str:
        """Address of the page, as a browser shows it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'https' if self.secure else 'http'}://{host}:{self.port}"

    @classmethod
    def read(cls, config: str | None, state: str | None, own: str | None, listen: str | None) -> Self:
        """Return the settings from the daemon's file.

        Args:
            config: folder or file of the configuration; None: as for every command.
            state: the daemon's state directory; None: as for every command.
            own: folder of the page's signing key; None: below the state directory.
            listen: address instead of that of the file.

        Raises:
            SettingError: the file is wrong, or another address than loopback has no TLS or no log-in.
        """
        folder = config_dir(config)
        daemon = load_daemon(folder / DAEMON_FILE)
        if listen is not None:
            changed = daemon.model_dump(include={"page", "people"})
            changed["page"] |= {"listen": listen}
            daemon = parse(Daemon, changed, "--listen")
        where = state_dir(state, state_of(daemon), create=False)
        page = daemon.page
        host, port = page.address or ("127.0.0.1", 0)
        return cls(
            socket=socket_path(where),
            host=host,
            port=port,
            hosts=page.hosts,
            certificate=None if page.certificate is None else folder / page.certificate,
            key=None if page.key is None else folder / page.key,
            people=daemon.people.required,
            signing_key=signing_key(where / "page" if own is None else Path(own)),
        )


def signing_key(folder: Path) -> bytes:
    """Return the signing key of a folder; a new one where there is none.

    Raises:
        SettingError: the folder cannot be used.
    """
    path = folder / KEY_FILE
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not path.exists():
            part = path.with_name(f".{path.name}.{os.getpid()}")
            make_private(part)
            part.write_bytes(secrets.token_bytes(KEY_BYTES))
            part.rename(path)
        found = path.read_bytes()
    except OSError as error:
        raise SettingError(
            f"cannot be used: {error.strerror}; name another folder with --own", file=str(path)
        ) from None
    if len(found) != KEY_BYTES:
        raise SettingError("is damaged; remove it, then pair the screens of the benches again", file=str(path))
    return found
