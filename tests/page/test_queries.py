"""The queries: bounded parameters, the role of each, and a process that a slow or broken query does not outlive."""

import asyncio
import json
import sys

import pytest
from pydantic import ValidationError

from daq.adapters.store.store import Store
from daq.app.daemon.queries import answering, asking
from daq.app.daemon.queries.answering import answer_of
from daq.app.daemon.queries.asked import OUTCOMES, VERDICTS, RunsAsked
from daq.app.daemon.queries.asking import MOST_WAITING, QueryProcess
from daq.app.daemon.queries.registry import QUERIES
from daq.app.records import searching
from daq.core.errors import DaqError, LinkError, SettingError
from daq.laboratory.people import ROLES
from daq.quality.limits import Verdict
from tests.page.visiting import add_sample
from tests.support.laboratories import laboratory


def asked(path, query, **parameters):
    return answer_of(path, json.dumps({"query": query, "parameters": parameters}).encode())


def test_the_values_of_the_selections_are_those_of_the_data():
    assert OUTCOMES == searching.OUTCOMES
    assert set(VERDICTS) == {v.value for v in Verdict}
    for outcome in OUTCOMES:
        RunsAsked(outcome=outcome)
    for verdict in VERDICTS:
        RunsAsked(verdict=verdict)


def test_every_query_has_a_role_and_bounds():
    for name, query in QUERIES.items():
        assert (query.name, query.role in ROLES) == (name, True)
        for field, about in query.asked.model_json_schema()["properties"].items():
            kinds = [about, *about.get("anyOf", [])]
            bounded = any(k.keys() & {"maxLength", "maximum", "enum", "maxItems"} for k in kinds)
            assert bounded, (name, field)


@pytest.mark.parametrize("limit", [0, 501, 10**9, -1])
def test_rows_are_bounded(limit):
    with pytest.raises(ValidationError):
        RunsAsked(limit=limit)


def test_wrong_queries_are_refused_in_a_sentence(tmp_path):
    with laboratory(tmp_path) as lab:
        add_sample(lab, "E-7", product="engobe", bench="bench-1")
        path = lab.store.path
        for query, parameters in (
            ("nothing", {}), ("runs", {"limit": 501}), ("runs", {"x": 1}), ("runs", {"since": "never"}), ("run", {}), ("run", {"run": "x"}),
            ("runs", {"sample": "a\nb"}), ("sample", {"sample": "no such"}), ("samples", {"benches": ["b"] * 101}),
        ):  # fmt: skip
            found = asked(path, query, **parameters)
            assert found["kind"] == "setting", (query, parameters, found)
            assert found["error"]
        assert [s["sample"]["id"] for s in asked(path, "samples", benches=["bench-1"])["answer"]["samples"]] == ["E-7"]
        assert asked(path, "samples")["answer"]["samples"] == []
        assert asked(path, "sample", sample="E-7")["answer"]["rows"] == []
        assert asked(path, "runs")["answer"]["rows"] == []
    assert asked(tmp_path / "nothing.db", "runs")["kind"] == "fault"


@pytest.mark.slow
@pytest.mark.asyncio
async def test_the_process_answers_ends_with_a_slow_query_and_comes_back(tmp_path, monkeypatch):
    path = tmp_path / "daq.db"
    Store(path).close()
    queries = QueryProcess(path, tmp_path)
    assert (await queries.ask("runs", {}))["rows"] == []
    first = queries._process.pid
    with pytest.raises(SettingError, match="limit"):
        await queries.ask("runs", {"limit": 1000})
    assert queries._process.pid == first
    queries._process.kill()
    await queries._process.wait()
    assert (await queries.ask("runs", {}))["rows"] == []
    assert queries._process.pid != first
    # A cancelled query must not leave its answer to the next one.
    task = asyncio.create_task(queries.ask("run", {"run": "x"}))
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert (await queries.ask("samples", {})) == {"samples": [], "more": False}
    await queries.close()


SLOW = "import sys, time\nprint('ready', flush=True)\nfor line in sys.stdin:\n    time.sleep(3600)\n"


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_query_that_takes_too_long_is_ended_and_the_number_that_waits_is_bounded(tmp_path, monkeypatch):
    started = asyncio.create_subprocess_exec

    async def slow(*_, **options):
        return await started(sys.executable, "-c", SLOW, **options)

    monkeypatch.setattr(asking.asyncio, "create_subprocess_exec", slow)
    queries = QueryProcess(tmp_path / "daq.db", tmp_path, longest_s=0.2)
    with pytest.raises(LinkError, match="took too long"):
        await queries.ask("runs", {})
    assert queries._process is None
    found = await asyncio.gather(*(queries.ask("runs", {}) for _ in range(MOST_WAITING + 3)), return_exceptions=True)
    assert sum("wait" in str(e) for e in found) >= 3
    assert all(isinstance(e, DaqError) for e in found)
    await queries.close()
    assert answering.READY == b"ready\n"
