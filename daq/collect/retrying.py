"""A new attempt with refused messages: after an update a version may understand more than the one before."""

from typing import Final

import psycopg

from daq.collect.database import error_text, is_data_error, open_database
from daq.collect.decode import NotAnEventError, decode
from daq.collect.settings import CollectSettings
from daq.collect.writing import Writer
from daq.core.errors import StoreError

PORTION: Final = 100
"""Number of messages read at once."""


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
