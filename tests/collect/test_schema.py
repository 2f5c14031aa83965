"""Migrations: frozen, one at a time, whole or not at all."""

import asyncio
import hashlib
from dataclasses import replace

import psycopg
import pytest

from daq.adapters.mqtt.settings import MqttSettings
from daq.collect.database import DatabaseAwayError, open_database
from daq.collect.keeper import Keeper
from daq.collect.schema import STEPS, migrate
from daq.collect.settings import CollectSettings
from daq.collect.worker import WorkerState
from daq.core.errors import StoreError
from tests.support.processes.postgres import needs_postgres

DIGESTS = {
    "0001_tables": "eccc32dd7a66be1cc0b662095e7be74ffc11a4f11c48bb4c5739222d0c45dd8d",
    "0002_views": "214ae9f89ba1e36f7dde545a096f9feb43dd74c78348d328e2de7fc3dc6b8026",
}


def test_released_migrations_are_never_edited():
    assert {name: hashlib.sha256(sql.encode()).hexdigest() for name, sql in STEPS} == DIGESTS


@needs_postgres
@pytest.mark.asyncio
async def test_workers_that_start_together_migrate_once(database, query):
    connections = await asyncio.gather(*(open_database(database, "test") for _ in range(4)))
    applied = await asyncio.gather(*(migrate(db) for db in connections))
    for db in connections:
        await db.close()
    assert sorted(applied, key=len) == [[], [], [], [name for name, _ in STEPS]]
    assert [name for (name,) in query("SELECT name FROM lab.migrations ORDER BY name")] == [name for name, _ in STEPS]


@needs_postgres
@pytest.mark.asyncio
async def test_a_migration_that_fails_is_rolled_back_whole(database, query):
    db = await open_database(database, "test")
    broken = (*STEPS, ("0003_broken", "CREATE TABLE lab.half (a int); CREATE TABLE lab.half (a int);"))
    with pytest.raises(psycopg.errors.DuplicateTable):
        await migrate(db, broken)
    assert query("SELECT to_regclass('lab.half'), to_regclass('lab.results')::text") == [(None, "lab.results")]
    mended = (*STEPS, ("0003_broken", "CREATE TABLE lab.half (a int);"))
    assert await migrate(db, mended) == ["0003_broken"]
    with pytest.raises(StoreError, match="a newer version of daq"):
        await migrate(db)
    await db.close()


@needs_postgres
@pytest.mark.asyncio
async def test_every_table_and_view_can_be_read_by_somebody_who_may_only_read(database, server):
    db = await open_database(database, "test")
    await migrate(db)
    await db.close()
    with server.connect(database.database) as admin, admin.transaction(force_rollback=True):
        # As DEVELOPERS.md gives it.
        admin.execute(
            "CREATE ROLE reporting; GRANT USAGE ON SCHEMA lab TO reporting; "
            "GRANT SELECT ON ALL TABLES IN SCHEMA lab TO reporting; SET LOCAL ROLE reporting"
        )
        found = admin.execute(
            "SELECT relname FROM pg_class WHERE relnamespace = 'lab'::regnamespace AND relkind IN ('r', 'p', 'v')"
        )
        names = [name for (name,) in found]
        assert {"results", "results_in_force", "control_limits"} <= set(names)
        for name in names:
            admin.execute(f'SELECT count(*) FROM lab."{name}"')  # noqa: S608 - names the database gave
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            admin.execute("DELETE FROM lab.results")


@needs_postgres
@pytest.mark.asyncio
async def test_a_database_that_is_not_there_is_named(server):
    with pytest.raises(DatabaseAwayError, match="nowhere"):
        await open_database(server.settings("nowhere"), "test")


@needs_postgres
@pytest.mark.asyncio
async def test_a_user_who_may_make_no_tables_is_told_what_to_grant(database, server):
    with server.connect(database.database) as admin:
        admin.execute("CREATE ROLE guest LOGIN")
        try:
            guest = replace(database, user="guest")
            settings = CollectSettings(
                postgres=guest, mqtt=MqttSettings(host="127.0.0.1"), group="g", worker="a", levels=("+",)
            )
            keeper = Keeper(settings, WorkerState)
            with pytest.raises(StoreError, match=f"GRANT CREATE ON DATABASE {database.database} TO guest$"):
                await keeper.claim()
            admin.execute(f"GRANT CREATE ON DATABASE {database.database} TO guest")
            await keeper.claim()
            await keeper.close()
        finally:
            admin.execute("DROP OWNED BY guest CASCADE")
            admin.execute("DROP ROLE guest")
