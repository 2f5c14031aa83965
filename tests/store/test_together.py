"""Blocks that wait at the same time share one commit; a bad one among them affects no other."""

import threading

import pytest

from daq.adapters.store.store import MOST_TOGETHER, Store
from daq.adapters.store.transactions import AppendBlock, Audit
from daq.core.errors import StoreError
from tests.support.runs.stored import T0, begin, blocks, register


class Gate:
    """Hook that holds the writer in an audit entry, so that later submissions wait; it counts commits."""

    def __init__(self) -> None:
        self.points: list[str] = []
        self.entered, self.open = threading.Event(), threading.Event()

    def hook(self, point: str) -> None:
        self.points.append(point)
        if point == "audit.begin" and not self.open.is_set():
            self.entered.set()
            assert self.open.wait(10)

    def commits(self) -> list[str]:
        return [p for p in self.points if p.endswith(".commit")]


@pytest.fixture
def gate():
    return Gate()


@pytest.fixture
def store(tmp_path, gate):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0, crash_hook=gate.hook) as opened:
        opened.submit(register()).result(10)
        for n in range(4):
            opened.submit(begin(f"run-{n}", f"rotor-{n}")).result(10)
        yield opened
        gate.open.set()


def held(store, gate, transactions):
    """Submit all while the writer is held in another transaction, then release it."""
    busy = store.submit(Audit(T0, "tester", "something", "else"))
    assert gate.entered.wait(10)
    futures = [store.submit(t) for t in transactions]
    gate.points.clear()
    gate.open.set()
    busy.result(10)
    return futures


def stored(store, run):
    with store.reader() as reader:
        return [b.raw for b in reader.journal(run)]


def test_one_commit_for_all_that_wait(store, gate):
    (block, *_) = blocks(1)
    futures = held(store, gate, [AppendBlock(f"run-{n}", block) for n in range(4)])
    for future in futures:
        assert future.result(10) is None
    assert gate.commits() == ["audit.commit", "together.commit"]
    for n in range(4):
        assert stored(store, f"run-{n}") == [block.raw]
    assert store.handled >= 10


def test_a_block_that_does_not_follow_is_refused_alone(store, gate):
    first, second = blocks(2)
    futures = held(
        store, gate, [AppendBlock("run-0", first), AppendBlock("run-1", second), AppendBlock("run-2", first)]
    )
    assert futures[0].result(10) is None
    with pytest.raises(StoreError, match="does not follow"):
        futures[1].result(10)
    assert futures[2].result(10) is None
    assert [stored(store, f"run-{n}") for n in range(3)] == [[first.raw], [], [first.raw]]
    assert store.trouble is None


def test_order_is_kept_and_other_transactions_commit_alone(store, gate):
    first, second = blocks(2)
    order = [
        AppendBlock("run-0", first),
        AppendBlock("run-0", second),
        Audit(T0, "tester", "between", "them"),
        AppendBlock("run-1", first),
    ]
    for future in held(store, gate, order):
        future.result(10)
    assert gate.commits() == ["audit.commit", "together.commit", "audit.commit", "append_block.commit"]
    assert stored(store, "run-0") == [first.raw, second.raw]
    assert stored(store, "run-1") == [first.raw]


def test_no_commit_grows_without_bound(store, gate):
    chain = blocks(MOST_TOGETHER + 10)
    for future in held(store, gate, [AppendBlock("run-0", b) for b in chain]):
        future.result(10)
    assert gate.commits() == ["audit.commit", "together.commit", "together.commit"]
    assert len(stored(store, "run-0")) == len(chain)


def test_closing_finishes_the_waiting_transactions(tmp_path, gate):
    (block, *_) = blocks(1)
    with Store(tmp_path / "other.sqlite", utc_ns=T0, crash_hook=gate.hook) as store:
        store.submit(register()).result(10)
        store.submit(begin("run-0")).result(10)
        (future,) = held(store, gate, [AppendBlock("run-0", block)])
    assert future.done()
    assert future.exception() is None


def test_a_cancelled_block_does_not_happen(store, gate):
    (block, *_) = blocks(1)
    busy = store.submit(Audit(T0, "tester", "something", "else"))
    assert gate.entered.wait(10)
    futures = [store.submit(AppendBlock(f"run-{n}", block)) for n in range(3)]
    assert futures[1].cancel()
    gate.open.set()
    busy.result(10)
    futures[2].result(10)
    assert [len(stored(store, f"run-{n}")) for n in range(3)] == [1, 0, 1]
