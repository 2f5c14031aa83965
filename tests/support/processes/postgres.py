"""A PostgreSQL server for tests: they make, start, kill and remove it.

If the tests run as root, the server runs as the account of Debian's package, in a new temporary folder; nothing else on
the machine changes.
"""

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
import pytest

from daq.collect.database import PostgresSettings
from tests.support.processes.mosquitto import free_port

ACCOUNT = "postgres"
OWNER = "collector"


def binaries() -> Path | None:
    """Return the folder of the newest installed server, or None if there is none that can run here."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    if not found:
        return None
    if os.getuid() == 0:
        with contextlib.suppress(KeyError):
            pwd.getpwnam(ACCOUNT)
            return found[-1].parent
        return None
    return found[-1].parent


needs_postgres = pytest.mark.skipif(
    binaries() is None and not os.environ.get("CI"), reason="no PostgreSQL server on this machine"
)


@dataclass
class Server:
    """A cluster in a temporary folder, on a free loopback port."""

    fsync: bool = False
    """True if the test kills the server."""
    certificates: Path | None = None
    """Folder made by `make_certificates`; with it the server accepts only TLS connections with a client certificate."""
    port: int = field(default_factory=free_port)
    folder: Path = field(init=False)

    def __post_init__(self) -> None:
        found = binaries()
        assert found is not None, "in CI a PostgreSQL server must be installed, and none was found"
        self._bin = found
        self.folder = Path(tempfile.mkdtemp(prefix="daq-postgres-"))
        if os.getuid() == 0:
            os.chown(self.folder, pwd.getpwnam(ACCOUNT).pw_uid, pwd.getpwnam(ACCOUNT).pw_gid)
        self._run("initdb", "-D", str(self.data), "-U", OWNER, "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
        config = (
            f"port = {self.port}\nlisten_addresses = '127.0.0.1'\nunix_socket_directories = '{self.folder}'\n"
            f"fsync = {'on' if self.fsync else 'off'}\nshared_buffers = 64MB\nmax_connections = 40\n"
            "log_line_prefix = '%m %a '\ntimezone = 'UTC'\nmax_wal_size = 512MB\n"
        )
        if self.certificates is not None:
            config += "listen_addresses = '127.0.0.1,127.0.0.2'\nssl = on\n"
            for key, name in (("ca", "ca.pem"), ("cert", "server.pem"), ("key", "server.key")):
                config += f"ssl_{key}_file = '{self.folder / name}'\n"
                given = (self.certificates / name).read_text()
                self._as_account("sh", "-c", 'umask 077; cat >"$0"', str(self.folder / name), given=given)
            rule = "hostssl all all 127.0.0.0/8 trust clientcert=verify-ca\n"
            self._as_account("tee", str(self.data / "pg_hba.conf"), given=rule)
        # The server's account owns the folder, so it writes the file.
        self._as_account("tee", "-a", str(self.data / "postgresql.conf"), given=config)

    @property
    def data(self) -> Path:
        return self.folder / "data"

    def start(self) -> "Server":
        self._run("pg_ctl", "-D", str(self.data), "-l", str(self.folder / "log"), "-w", "-t", "60", "start")
        return self

    def stop(self, how: str = "fast") -> None:
        self._run("pg_ctl", "-D", str(self.data), "-m", how, "-w", "-t", "60", "stop")

    def kill(self) -> None:
        """Kill all processes of the server with SIGKILL."""
        pid = int((self.data / "postmaster.pid").read_text().split()[0])
        children = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True).stdout
        for victim in [pid, *map(int, children.split())]:
            with contextlib.suppress(ProcessLookupError):
                os.kill(victim, signal.SIGKILL)
        end = time.monotonic() + 20
        while time.monotonic() < end and Path(f"/proc/{pid}").exists():
            time.sleep(0.02)

    def remove(self) -> None:
        with contextlib.suppress(subprocess.CalledProcessError):
            self.stop("immediate")
        shutil.rmtree(self.folder, ignore_errors=True)

    def settings(self, database: str) -> PostgresSettings:
        return PostgresSettings(host="127.0.0.1", port=self.port, database=database, user=OWNER)

    def connect(self, database: str = "postgres") -> psycopg.Connection:
        return psycopg.connect(
            host="127.0.0.1", port=self.port, dbname=database, user=OWNER, autocommit=True, options="-c timezone=UTC"
        )

    def _run(self, program: str, *arguments: str) -> None:
        self._as_account(str(self._bin / program), *arguments)

    def _as_account(self, *command: str, given: str = "") -> None:
        prefix: list[str] = []
        if os.getuid() == 0:
            prefix = ["setpriv", f"--reuid={ACCOUNT}", f"--regid={ACCOUNT}", "--clear-groups", "--"]
        done = subprocess.run(
            [*prefix, *command], input=given, text=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            cwd=self.folder, env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C"},
        )  # fmt: skip
        if done.returncode:
            raise subprocess.CalledProcessError(done.returncode, command[0], stderr=done.stderr)
