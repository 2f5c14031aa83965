"""Orders of a person from the command line: about refused messages, gaps and topics."""

from collections.abc import Awaitable, Callable
from typing import Final, TypeVar

import psycopg

from daq.adapters.mqtt.topics import BRANCH
from daq.collect.database import PostgresSettings, error_text, is_data_error, open_database
from daq.collect.decode import NotAnEventError, decode
from daq.collect.gaps import forget_gap
from daq.collect.settings import CollectSettings
from daq.collect.sources import rebind
from daq.collect.writing import Writer
from daq.core.errors import SettingError, StoreError

PORTION: Final = 100
"""Number of messages read at once."""
_NAME: Final = "daq collect decision"
Answer = TypeVar("Answer")


async def forget(settings: PostgresSettings, no: int) -> tuple[str, int, int]:
    """Declare the results of a gap as not missing; return their stream, first and last.

    Raises:
        SettingError: there is no such gap.
        StoreError: the database is away, or its tables are missing.
    """
    found = await _with_database(settings, lambda db: forget_gap(db, no))
    if found is None:
        raise SettingError(f"no entry of `daq collect --show`, Missing, has the number {no}", key="--forget-gap")
    return found


async def move(settings: PostgresSettings, source: str, prefix: str) -> None:
    """Bind the database of a source to a topic prefix.

    Raises:
        SettingError: `source` is not the source of an event, or `prefix` is no prefix of a bench.
        StoreError: the database is away, or its tables are missing.
    """
    if not (prefix == BRANCH or prefix.endswith(f"/{BRANCH}")) or set(prefix) & set("+#\x00"):
        raise SettingError(f"{prefix!r} is not a prefix as in 'glaze-works/kiln-street/quality/{BRANCH}'", key="--bind")
    await _with_database(settings, lambda db: rebind(db, source, prefix))


async def _with_database(
    settings: PostgresSettings, do: Callable[[psycopg.AsyncConnection], Awaitable[Answer]]
) -> Answer:
    db = await open_database(settings, _NAME)
    try:
        return await do(db)
    except psycopg.Error as error:
        raise StoreError(f"the database {settings.place} cannot be used: {error_text(error)}") from error
    finally:
        await db.close()


async def retry_refused(settings: CollectSettings) -> tuple[int, int]:
    """Store every refused message that this version understands.

    Returns the number of messages that left `lab.refused` (stored now, or known before) and the number that stay.

    Raises:
        StoreError: the database is away.
    """
    db = await open_database(settings.postgres, f"daq collect {settings.worker} again")
    try:
        writer = Writer(db)
        await writer.prepare()
        done = kept = last = 0
        while rows := await _portion(db, last):
            for no, topic, payload in rows:
                if await _take(writer, topic, bytes(payload)):
                    await db.execute("DELETE FROM lab.refused WHERE no = %s", (no,))
                    done += 1
                else:
                    kept += 1
                last = no
    except psycopg.Error as error:
        raise StoreError(f"the database {settings.postgres.place} cannot be used: {error_text(error)}") from error
    finally:
        await db.close()
    return done, kept


async def _portion(db: psycopg.AsyncConnection, after: int) -> list[tuple[int, str, bytes]]:
    found = await db.execute(
        "SELECT no, topic, payload FROM lab.refused WHERE no > %s ORDER BY no LIMIT %s", (after, PORTION)
    )
    return await found.fetchall()


async def _take(writer: Writer, topic: str, payload: bytes) -> bool:
    try:
        written = await writer.take([decode(topic, payload)])
    except NotAnEventError:
        return False
    except (psycopg.Error, UnicodeError) as error:
        if not is_data_error(error):
            raise
        return False
    return not written.foreign
