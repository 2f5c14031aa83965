"""A run whose result cannot be comparable does not start; `anyway` starts it, and everything about it says so."""

import json

import pytest

from daq.adapters.clock import ScaledClock
from daq.app.daemon.protocol import Failed, answer_line, failure, read_answer
from daq.app.daemon.service import Service
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.app.setup.run_order import RunOrder
from daq.core.errors import NotComparableError, SettingError
from daq.methods.files.product import Limit
from daq.methods.files.producttest import ProductTest
from tests.support.memory_bench import SupervisorBench

slow = pytest.mark.slow
pytestmark = pytest.mark.asyncio

LINE = "not comparable with the limits of engobe: the limit was set for the method engobe-qc 1, measured with short 1"


def product(bench, name="engobe", **update):
    catalogue = bench.supervisor.catalogue
    catalogue.products[name] = catalogue.product(name).model_copy(update=update)


def act(bench, name, **order):
    supervisor = bench.supervisor
    return carry_out(Laboratory(supervisor.store, supervisor.catalogue, supervisor.clock, "m.keeper"), name, order)


def started_entry(bench):
    with bench.supervisor.store.reader() as reader:
        return next(json.loads(e.detail) for e in reader.audit() if e.what == "run_started")


@slow
async def test_a_run_that_cannot_be_comparable_does_not_start_without_anyway(tmp_path):
    async with SupervisorBench(tmp_path) as bench:
        before = bench.clock.mono_ns()
        with pytest.raises(NotComparableError, match="--anyway measures all the same") as caught:
            await bench.begin("short", product="engobe")
        assert LINE in str(caught.value)
        assert "measured with coaxial-15" in str(caught.value)
        with bench.supervisor.store.reader() as reader:
            assert reader.runs() == []
        assert not {"speed", "turn", "run"} & set(bench.box.words(before))
        active = await bench.begin("short", product="engobe", anyway=True)
        assert active.warnings[0].startswith(LINE)
        outcome = await active.task
        data = bench.result(outcome.run_id)
        assert data["verdict"]["verdict"] == "not_comparable"
        reasons = {r["text"] for limit in data["verdict"]["limits"] for r in limit["reasons"]}
        accepted = started_entry(bench)["anyway"]
        assert accepted
        assert set(accepted) <= reasons
        assert "measured_anyway" in {w["code"] for w in data["warnings"]}


@slow
async def test_a_comparable_run_starts_without_a_line_and_its_sample_is_done(tmp_path):
    # Slow enough for a loaded machine: a reading that is missing would leave the sample open.
    async with SupervisorBench(tmp_path, clock=ScaledClock(2.0)) as bench:
        limit = Limit.model_validate({"low": 1, "high": 1e6, "unit": "mPa.s", "methods": ["short 1"]})
        product(bench, limits=(limit,), replicates=None, tests=(ProductTest(method="short 1"),))
        act(bench, "sample_add", id="E-7", product="engobe", lot="2211")
        service = Service(bench.supervisor)
        answers = [answer async for answer in service.handle(RunOrder(sample="E-7"))]
        assert (answers[0].instrument, answers[0].warnings) == ("bench-1", ())
        result = answers[-1].result
        assert (result["sample"]["id"], result["sample"]["lot"], result["verdict"]["verdict"]) == (
            "E-7",
            "2211",
            "within",
        )
        assert (result["warnings"], result["validity"]) == ([], "valid"), result["reasons"]
        assert "anyway" not in started_entry(bench)

        await bench.supervisor._post_run.tasks.finish()
        with pytest.raises(SettingError, match="sample 'E-7' is done"):
            await bench.supervisor.begin(RunOrder(sample="E-7"))
        act(bench, "sample_again", id="E-7", because="the lid was open")
        with pytest.raises(SettingError, match="--fresh-fill"):
            await bench.supervisor.begin(RunOrder(sample="E-7"))
        active = await bench.supervisor.begin(RunOrder(sample="E-7", filling="same"))
        assert active.record.fill == result["sample"]["fill"]
        await active.task


@slow
@pytest.mark.parametrize("made_by", ["key", "test", "neither", "fluid"])
async def test_a_method_for_products_warns_without_a_product(tmp_path, made_by):
    async with SupervisorBench(tmp_path) as bench:
        catalogue = bench.supervisor.catalogue
        if made_by == "key":
            method = catalogue.methods["short"]["1"]
            catalogue.methods["short"]["1"] = method.model_copy(update={"for_products": True})
        elif made_by in ("test", "fluid"):
            product(bench, tests=(ProductTest(method="short 1"),))
        active = await bench.begin("short", **({"fluid": "reference-b"} if made_by == "fluid" else {}))
        data = bench.result((await active.task).run_id)
        wanted = made_by in ("key", "test")
        assert ("measured_without_product" in {w["code"] for w in data["warnings"]}) is wanted
        assert (len(active.warnings) == 1) is wanted
        if wanted:
            assert "is made for products, and the run names none" in active.warnings[0]


async def test_the_refusal_keeps_its_kind_over_the_socket():
    answer = failure(NotComparableError("not comparable"))
    assert answer == Failed("not comparable", "not_comparable")
    with pytest.raises(NotComparableError, match="not comparable"):
        read_answer(answer_line(answer))
    assert failure(SettingError("x")).kind == "setting"
