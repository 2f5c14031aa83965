"""Decisions of a person about gaps and topics, from the command line."""

from collections.abc import Awaitable, Callable
from typing import Final, TypeVar

import psycopg

from daq.adapters.mqtt.topics import BRANCH
from daq.collect.database import PostgresSettings, error_text, open_database
from daq.collect.gaps import forget_gap
from daq.collect.sources import rebind
from daq.core.errors import SettingError, StoreError

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
        raise SettingError(f"there is no gap {no}; `daq collect --show` lists the gaps", key="--forget-gap")
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
