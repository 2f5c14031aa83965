"""Migrations: frozen, one at a time, atomic."""

import asyncio
import hashlib
import json
from dataclasses import replace

import psycopg
import pytest

from daq.adapters.mqtt.settings import MqttSettings
from daq.collect import partitions, schema, writing
from daq.collect.columns import CURVE, RESULT_AT_FIRST
from daq.collect.database import DatabaseAwayError, open_database
from daq.collect.decode import decode
from daq.collect.housekeeping import Housekeeper
from daq.collect.schema import STEPS, migrate
from daq.collect.settings import CollectSettings
from daq.collect.worker import WorkerState
from daq.core.errors import StoreError
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import result

DIGESTS = {
    "0001_tables": "0ec689b93c3b24f36a02c1791f806c2254057e7aa07576e791851a9fdf26fc86",
    "0002_views": "25bc2a8d39626407450c5c24ac511d1442b35c8de297a4e8457db4294694ca45",
    "0003_authorised": "6e07bee0bff2ced62eddfa24a78a75ceda0561afdd55e808e1b80474ddc394c8",
    "0004_attribution": "3298c155bcdfd6986497b31fffe99809605edbeabba8eb5fbab7797c62ecaafc",
    "0005_releases": "e4f0e6efd7dde86d0454d76b97c7a9a1db3faa513ca27049684590b15fa0f3c2",
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
    broken = (*STEPS, ("9999_broken", "CREATE TABLE lab.half (a int); CREATE TABLE lab.half (a int);"))
    with pytest.raises(psycopg.errors.DuplicateTable):
        await migrate(db, broken)
    assert query("SELECT to_regclass('lab.half'), to_regclass('lab.results')::text") == [(None, "lab.results")]
    mended = (*STEPS, ("9999_broken", "CREATE TABLE lab.half (a int);"))
    assert await migrate(db, mended) == ["9999_broken"]
    with pytest.raises(StoreError, match="a newer version of daq"):
        await migrate(db)
    await db.close()


@needs_postgres
@pytest.mark.asyncio
async def test_every_table_and_view_can_be_read_by_a_role_that_may_only_read(database, server):
    db = await open_database(database, "test")
    await migrate(db)
    await db.close()
    with server.connect(database.database) as admin, admin.transaction(force_rollback=True):
        # As README.md of daq/collect gives it.
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
async def test_without_the_right_to_make_tables_the_error_names_the_grant(database, server):
    with server.connect(database.database) as admin:
        admin.execute("CREATE ROLE guest LOGIN")
        try:
            guest = replace(database, user="guest")
            settings = CollectSettings(
                postgres=guest, mqtt=MqttSettings(host="127.0.0.1"), group="g", worker="a", levels=("+",)
            )
            housekeeper = Housekeeper(settings, WorkerState)
            with pytest.raises(StoreError, match=f"GRANT CREATE ON DATABASE {database.database} TO guest$"):
                await housekeeper.claim()
            admin.execute(f"GRANT CREATE ON DATABASE {database.database} TO guest")
            await housekeeper.claim()
            await housekeeper.close()
        finally:
            admin.execute("DROP OWNED BY guest CASCADE")
            admin.execute("DROP ROLE guest")


ATTRIBUTIONS = ("authorised", "not_authorised", "unattributed", None)
"""None: a message from before the attribution was added."""


def attributed(n, attribution):
    topic, payload = result(n, change={"origin.attribution": attribution})
    event = json.loads(payload)
    if attribution is None:
        del event["data"]["origin"]["attribution"]
    return decode(topic, json.dumps(event).encode())


@needs_postgres
@pytest.mark.asyncio
async def test_stored_and_new_results_have_the_attribution_of_their_event(database, query, monkeypatch):
    db = await open_database(database, "test")
    with monkeypatch.context() as before:
        before.setattr(schema, "OF_TABLES", {"results": RESULT_AT_FIRST, "curves": CURVE})
        before.setattr(partitions, "TABLES", ("results", "curves", "readings"))
        await migrate(db, STEPS[:3])
        before.setattr(writing, "_KINDS", {"result": writing._Kind("results", RESULT_AT_FIRST)})
        writer = writing.Writer(db)
        await writer.prepare()
        await writer.take([attributed(n, a) for n, a in enumerate(ATTRIBUTIONS, 1)])
    assert await migrate(db) == [name for name, _ in STEPS[3:]]
    await db.close()
    db = await open_database(database, "test")
    writer = writing.Writer(db)
    await writer.prepare()
    await writer.take([attributed(n, a) for n, a in enumerate(ATTRIBUTIONS, 5)])
    await db.close()
    wanted = [(a or "unattributed",) for a in ATTRIBUTIONS] * 2
    for table in ("results", "results_in_force"):
        assert query(f"SELECT attribution FROM lab.{table} ORDER BY sequence") == wanted  # noqa: S608 - our names
