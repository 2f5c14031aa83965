"""The columns in PostgreSQL are those of the payload's published schema."""

import json

import pytest

from daq.app.delivery.contract import SCHEMAS
from daq.collect.columns import ENVELOPE, EVENT, OF_TABLES, RECEIVED, RESULT
from daq.collect.database import open_database
from daq.collect.schema import migrate
from tests.support.processes.postgres import needs_postgres
from tests.support.schemas import SQL, place

LONG = {"timestamptz": "timestamp with time zone"}


@pytest.mark.slow
@needs_postgres
@pytest.mark.asyncio
@pytest.mark.parametrize(("table", "schema", "columns"), [(t, t.removesuffix("s"), c) for t, c in OF_TABLES.items()])
async def test_the_tables_have_the_types_of_the_payload(database, query, table, schema, columns):
    db = await open_database(database, "test")
    await migrate(db)
    await db.close()
    root = next(json.loads(s.text()) for s in SCHEMAS if s.name == schema)
    around = {c.name for c in (*ENVELOPE, RECEIVED, EVENT)}
    found = query(
        "SELECT column_name, data_type, is_nullable, col_description(('lab.' || table_name)::regclass, ordinal_position) "
        "FROM information_schema.columns WHERE table_schema = 'lab' AND table_name = %s",
        table,
    )
    rows = {name: (kind, nullable == "YES", comment) for name, kind, nullable, comment in found if name not in around}
    assert set(rows) == {c.name for c in columns}
    for column in columns:
        path = column.named.leaf.dotted
        kind, may_be_null, _ = place(root, path)
        wanted = LONG.get(SQL[kind], SQL[kind])
        assert rows[column.name] == (wanted, may_be_null and kind != "object", column.comment)


@needs_postgres
@pytest.mark.asyncio
async def test_the_view_in_force_has_every_column_of_a_result(database, query):
    db = await open_database(database, "test")
    await migrate(db)
    await db.close()
    found = query("SELECT column_name FROM information_schema.columns WHERE table_name = 'results_in_force'")
    assert {c.name for c in (*RESULT, EVENT)} - {"simulated"} <= {name for (name,) in found}
