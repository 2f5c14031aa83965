"""The journal on its way to the disk: blocks in order, and what becomes of them when the disk fails."""

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from daq.adapters.store.rows import Committed
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import AppendBlock, Conclude, EndRun
from daq.core.errors import StoreError
from daq.core.journal import Block, JournalWriter, chain

T = TypeVar("T")


@dataclass(slots=True)
class _OnItsWay:
    block: Block | None
    future: "Future[Any]"


class BlockStream:
    """Hands the journal of one run to the store, block by block.

    A block that could not be stored takes those behind it with it, because each must follow
    the one before; all of them go again, as one, with the next transaction.
    """

    def __init__(self, store: Store, journal: JournalWriter) -> None:
        self._store, self._journal = store, journal
        self._stored_digest = ""
        self._pending: deque[_OnItsWay] = deque()
        self._trouble = ""
        self._lost: list[Block] = []
        self._conclusion: Future[Committed] | None = None

    @property
    def on_their_way(self) -> bool:
        """Whether a transaction has not been answered yet."""
        return any(not p.future.done() for p in self._pending)

    def trouble(self) -> str:
        """Why a block could not be stored, the first time it is asked for; "" where all is well."""
        self._sort()
        said, self._trouble = self._trouble, ""
        return said

    def append(self, make: Callable[[Block], AppendBlock]) -> None:
        """Store what was journaled since the last time, if anything was."""
        block = self._cut()
        if block is not None:
            self._pending.append(_OnItsWay(block, self._store.submit(make(block))))

    def conclude(self, make: Callable[[], Conclude]) -> "Future[Committed]":
        """Store the result together with what was journaled before it.

        Whatever `make` raises is raised, and nothing has been cut from the journal then.
        """
        result = make()
        block = self._cut()
        self._conclusion = self._store.submit(replace(result, block=block))
        self._pending.append(_OnItsWay(block, self._conclusion))
        return self._conclusion

    async def result(self, make: Callable[[], Conclude]) -> Committed:
        """Wait for the result on the disk; `make` is for one that was not handed over yet, or failed.

        Raises:
            StoreError: it could not be stored.
        """
        if self._conclusion is not None:
            with contextlib.suppress(StoreError):  # it may only have followed a block that failed
                return await _answer(self._conclusion)
        return await _answer(self.conclude(make))

    async def end(self, make: Callable[[Block | None], EndRun]) -> None:
        """Store the rest, with the end of the run.

        Raises:
            StoreError: it could not be stored.
        """
        block = self._cut()
        future = self._store.submit(make(block))
        self._pending.append(_OnItsWay(block, future))
        await _answer(future)

    def _sort(self) -> None:
        """Forget what is stored; take back what failed, with everything behind it."""
        while self._pending and self._pending[0].future.done():
            first = self._pending[0]
            error = first.future.exception()
            if error is not None:
                self._trouble = self._trouble or str(error)
                # The store refuses a block that does not follow the last one, so those behind are lost as well.
                self._lost += [p.block for p in self._pending if p.block is not None]
                self._pending.clear()
                return
            if first.block is not None:
                self._stored_digest = first.block.digest
            self._pending.popleft()

    def _cut(self) -> Block | None:
        self._sort()
        block = self._journal.cut()
        if not self._lost:
            return block
        blocks = [*self._lost, *([block] if block is not None else [])]
        self._lost = []
        raw = b"".join(b.raw for b in blocks)
        digest = chain(self._stored_digest, raw)
        self._journal.digest = digest
        records = sum(b.records for b in blocks)
        return Block(raw, digest, records, blocks[0].first_t, blocks[-1].last_t)


async def _answer(future: "Future[T]") -> T:
    """The answer of a transaction; whoever stops waiting for it does not undo it."""
    return await asyncio.shield(asyncio.wrap_future(future))
