"""Connections to PostgreSQL, and whose fault an error is."""

from dataclasses import dataclass, field
from typing import Final

import psycopg

from daq.core.errors import StoreError

DATA_ERROR_CLASSES: Final = ("22", "23", "54")
"""Classes of SQLSTATE that say that a row cannot be stored: data exception, integrity, a limit of the program."""
CONNECT_S: Final = 10
_COMPRESSION: Final = """
SELECT set_config(name, 'lz4', false) FROM pg_settings
WHERE name = 'default_toast_compression' AND 'lz4' = ANY(enumvals)
"""
"""Events are compressed with the faster of the server's ways, where it was built with it (PostgreSQL 14 and later)."""


class DatabaseAwayError(StoreError):
    """No connection to the database could be made.  Example: the server was restarted, or the password is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PostgresSettings:
    """How to reach the database.

    Attributes:
        host: name, address, or the folder of the server's socket.
        password: the secret itself; it is in no `repr` and no log.
        tls: check the server's certificate against its name.
        ca_file: certificates to trust instead of the system's.
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
        """Database and server, for a person."""
        return f"{self.database} on {self.host}:{self.port}"


async def open_database(settings: PostgresSettings, name: str) -> psycopg.AsyncConnection:
    """A connection in autocommit mode; `name` is what the server's lists show for it.

    Raises:
        DatabaseAwayError: nobody answers there, or the server does not let us in (the library does not say which).
    """
    options: dict[str, str | int] = {
        "host": settings.host,
        "port": settings.port,
        "dbname": settings.database,
        "application_name": name,
        "connect_timeout": CONNECT_S,
        # A worker whose machine vanished must not hold its locks for hours.
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
    """Whether an error tells of what was to be stored, and would come again with the same row."""
    if isinstance(error, UnicodeError):
        return True
    if not isinstance(error, psycopg.Error):
        return False
    if error.sqlstate is None:
        return isinstance(error, psycopg.DataError)
    return error.sqlstate[:2] in DATA_ERROR_CLASSES


def error_text(error: Exception) -> str:
    """An error's text on one line."""
    text = " ".join(str(error).split())
    return text or type(error).__name__
