"""Connections to PostgreSQL, and the classification of its errors."""

from dataclasses import dataclass, field
from typing import Final

import psycopg

from daq.core.errors import StoreError

DATA_ERROR_CLASSES: Final = ("22", "23", "54")
"""Classes of SQLSTATE for a row that cannot be stored: data exception, integrity violation, program limit exceeded."""
CONNECT_S: Final = 10
"""Longest wait for a connection, s."""
_COMPRESSION: Final = """
SELECT set_config(name, 'lz4', false) FROM pg_settings
WHERE name = 'default_toast_compression' AND 'lz4' = ANY(enumvals)
"""
"""Selects the faster compression method for events, where the server was built with it (PostgreSQL 14 and later)."""


class DatabaseAwayError(StoreError):
    """A connection to the database failed.  Example: the server is restarting, or the password is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PostgresSettings:
    """Address and credentials of the database.

    Attributes:
        host: name, address, or the folder of the server's socket.
        password: the secret itself; `repr` and logs never show it.
        tls: use TLS and check the server's certificate against its name.
        ca_file: certificates to trust in place of the system's.
        cert_file, key_file: certificate with which the collector identifies itself to the server.
    """

    host: str
    port: int = 5432
    database: str
    user: str = ""
    password: str = field(default="", repr=False)
    tls: bool = False
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""

    @property
    def place(self) -> str:
        """Database and server as text for messages."""
        return f"{self.database} on {self.host}:{self.port}"


async def open_database(settings: PostgresSettings, name: str) -> psycopg.AsyncConnection:
    """Open a connection in autocommit mode; `name` is shown in the server's list of connections.

    Raises:
        DatabaseAwayError: no server answers, or it refuses the connection (the library does not distinguish the two).
    """
    options: dict[str, str | int] = {
        "host": settings.host,
        "port": settings.port,
        "dbname": settings.database,
        "application_name": name,
        "connect_timeout": CONNECT_S,
        # Without keep-alives the server would keep the locks of a worker whose machine has failed, for hours.
        "keepalives_idle": 30,
        "keepalives_interval": 10,
        "keepalives_count": 3,
        "options": "-c timezone=UTC -c client_encoding=UTF8 -c synchronous_commit=on -c jit=off",
    }
    given = {
        "user": settings.user,
        "password": settings.password,
        "sslrootcert": settings.ca_file,
        "sslcert": settings.cert_file,
        "sslkey": settings.key_file,
    }
    options |= {key: value for key, value in given.items() if value}
    if settings.tls:
        options["sslmode"] = "verify-full"
        options.setdefault("sslrootcert", "system")
    try:
        db = await psycopg.AsyncConnection.connect(autocommit=True, **options)  # type: ignore[arg-type]  # libpq's own keys
        await db.execute(_COMPRESSION)
    except psycopg.Error as error:
        raise DatabaseAwayError(f"the database {settings.place} cannot be used: {error_text(error)}") from error
    return db


def is_data_error(error: Exception) -> bool:
    """Return whether an error is due to the data to be stored, so that the same row would raise it again."""
    if isinstance(error, UnicodeError):
        return True
    if not isinstance(error, psycopg.Error):
        return False
    if error.sqlstate is None:
        return isinstance(error, psycopg.DataError)
    return error.sqlstate[:2] in DATA_ERROR_CLASSES


def error_text(error: Exception) -> str:
    """Return the text of an error on one line."""
    text = " ".join(str(error).split())
    return text or type(error).__name__
