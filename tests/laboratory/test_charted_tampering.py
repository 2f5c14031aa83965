"""A chart of a falsified database: every value on it is the audited one, and `daq verify` names each change.

A chart compares run, result and declaration, from which its values come, with the audit trail.  No value comes from a
journal, a kept value or a message: a change of these leaves the chart as it is, and `daq verify` names it.
"""

import contextlib
import random
import sqlite3
from dataclasses import replace

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.one_run import disagreements_of_run
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.reading import Reader
from daq.app.laboratory.lists.charting import product_charts
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import DaqError
from tests.support.runs.charted import Measured, make_charted, run_id
from tests.support.runs.full_database import falsified, tables

RUN = run_id(6)
PRODUCT = Catalogue.load(examples_dir(), "products").product("clear-glaze")
OF_RUN = {"journal": "run = '{run}'", "outbox": "result IN (SELECT id FROM results WHERE run = '{run}')"}
"""Tables from which no value of a chart comes, and the rows of a run there; charted runs have no kept values."""
DECISIVE = {"runs": "id = '{run}'", "results": "run = '{run}'", "records": "kind = 'declaration' AND id = '{run}'"}


@pytest.fixture(scope="module")
def charted(tmp_path_factory):
    """A database of 12 samples, each with a message; one result is corrected."""
    rng = random.Random(9)
    runs = [Measured(f"G-{i}", 800.0 + rng.gauss(0, 5), topic="works/bench-1/result") for i in range(12)]
    runs[4] = replace(runs[4], corrected={"value": 801.5})
    return make_charted(tmp_path_factory.mktemp("charted") / "daq.db", runs)


def chart_of(path):
    with Reader(path) as reader:
        (chart,) = product_charts(reader, PRODUCT, last=20)
    return chart


def verified(path):
    """Return what `daq verify` names in a database."""
    with Stored(path) as stored:
        return [d.text for d in Comparison().of(stored)]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE journal SET data = x'00' WHERE run = '{run}'",
        "UPDATE journal SET digest = '00' WHERE run = '{run}'",
        "DELETE FROM journal WHERE run = '{run}'",
        "UPDATE outbox SET topic = 'works/bench-2/result' WHERE result = 'result-6'",
        "UPDATE outbox SET payload = x'7b7d' WHERE result = 'result-6'",
    ],
)  # fmt: skip
def test_a_changed_journal_or_message_leaves_the_chart_as_it_is_and_is_named(charted, tmp_path, statement):
    with falsified(charted, tmp_path / "false.db") as db:
        assert db.execute(statement.format(run=RUN)).rowcount > 0
    assert chart_of(tmp_path / "false.db") == chart_of(charted)
    assert verified(tmp_path / "false.db") != verified(charted) == []
    assert disagreements_of_run(tmp_path / "false.db", RUN)


def changes(path):
    """Yield the change of each cell of two runs: a table, a column, and the statement."""
    rng = random.Random(3)
    for run, places in ((RUN, OF_RUN | DECISIVE), (run_id(4), DECISIVE)):
        for table, where in places.items():
            for column in tables(path)[table]:
                number = rng.randrange(1, 9)
                value = f"CASE typeof({column}) WHEN 'integer' THEN {column} + {number} WHEN 'blob' THEN x'0{number}' "
                value += f"WHEN 'null' THEN NULL ELSE replace({column}, '80', '9{number}') || '{number}' END"
                if column in ("data", "header", "companions", "properties"):
                    value = f"replace({column}, '80', '9{number}')" if table != "journal" else f"x'0{number}'"
                yield table, f"UPDATE {table} SET {column} = {value} WHERE {where.format(run=run)}"  # noqa: S608


@pytest.mark.slow
def test_every_value_of_a_chart_is_the_audited_one_whatever_is_changed(charted, tmp_path):
    before, path = chart_of(charted), tmp_path / "false.db"
    audited = {(p.name, p.value) for p in before.points}
    left_out = unchanged = 0
    for table, statement in changes(charted):
        with contextlib.suppress(sqlite3.IntegrityError), falsified(charted, path) as db:
            db.execute(statement)
        try:
            chart = chart_of(path)
        except DaqError:
            continue  # a damage that cannot be read
        assert {(p.name, p.value) for p in chart.points} <= audited, statement
        if table in OF_RUN:
            assert chart == before, statement
        missing = {p.name for p in before.points} - {p.name for p in chart.points}
        left_out += bool(missing)
        unchanged += chart == before
        if chart != before:
            assert verified(path), statement
    assert left_out > 20
    assert unchanged > 20
