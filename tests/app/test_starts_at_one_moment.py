"""Two benches start runs of one sample at the same moment: each run has a number of its own, and a filling it states."""

import asyncio

import pytest

from daq.adapters.store.declaring.beginning import BeginConfigured
from daq.adapters.store.transactions import RegisterMethod, SeeInstrument
from daq.app.laboratory.acts import carry_out
from daq.core.errors import SettingError
from tests.support.file_bench import FileBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]

COMMITS = (SeeInstrument, RegisterMethod, BeginConfigured)


def interleaved(bench, monkeypatch, before, act):
    """Let `act` be carried out whole before the first commit of a kind."""
    commit, left = bench.supervisor.store.commit, [act]

    async def meanwhile(transaction):
        if isinstance(transaction, before) and left:
            await left.pop()()
        return await commit(transaction)

    monkeypatch.setattr(bench.supervisor.store, "commit", meanwhile)


@pytest.mark.parametrize("before", COMMITS, ids=lambda c: c.__name__)
async def test_of_two_starts_each_run_has_its_own_number(tmp_path, monkeypatch, before):
    """The other start comes whole before each transaction of the first one in turn."""
    async with FileBench(tmp_path) as bench:
        others = []

        async def other():
            others.append(await bench.begin_on("bench-2", filling="fresh"))

        interleaved(bench, monkeypatch, before, other)
        first = await bench.begin_on("bench-1", filling="fresh")
        assert (others[0].record.replicate, first.record.replicate) == (1, 2)
        with bench.supervisor.store.reader() as reader:
            stored = {run.instrument: run.replicate for run in reader.runs(limit=-1)}
        assert stored == {"bench-2": 1, "bench-1": 2}
        if before is BeginConfigured:
            await asyncio.gather(first.task, others[0].task)
            assert bench.result(first.record.id)["sample"]["replicate"] == 2
            assert (await bench.begin_on("bench-1", filling="fresh")).record.replicate == 3


@pytest.mark.parametrize("registered", [True, False])
async def test_the_second_of_two_starts_that_state_no_filling_is_refused(tmp_path, monkeypatch, registered):
    """Alone after the other one it would be asked for its filling, or stay on that of the other."""
    async with FileBench(tmp_path) as bench:
        if registered:
            carry_out(bench.supervisor.laboratory("m.keeper"), "sample_add", {"id": "S-1", "product": "glaze"})
        interleaved(bench, monkeypatch, BeginConfigured, lambda: bench.begin_on("bench-2"))
        with pytest.raises(SettingError, match="another run of sample 'S-1' .* was started meanwhile") as refused:
            await bench.begin_on("bench-1")
        assert refused.value.key == "fill"
        assert set(bench.supervisor.runs) == {"bench-2"}
        again = await bench.begin_on("bench-1", filling="same")
        assert again.record.fill == bench.supervisor.runs["bench-2"].record.fill
        assert again.record.replicate == 2


async def test_starts_in_any_order_of_their_tasks_have_numbers_of_their_own(tmp_path):
    async with FileBench(tmp_path) as bench:
        both = await asyncio.gather(*(bench.begin_on(name, filling="fresh") for name in ("bench-1", "bench-2")))
        assert sorted(active.record.replicate for active in both) == [1, 2]
