"""Blocks of a journal in order to the store, and their repetition after the disk has failed."""

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
from daq.core.journal import JournalWriter
from daq.core.journal_block import Block, chain

T = TypeVar("T")


@dataclass(slots=True)
class _OnItsWay:
    block: Block | None
    future: "Future[Any]"


class BlockStream:
    """Hands the journal of one run to the store, block by block.

    Each block must follow the one before it.  So if a block cannot be stored, the blocks behind it are lost as well;
    the next transaction stores all of them again, joined to one block.
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
        """True while a transaction has not been answered yet."""
        return any(not p.future.done() for p in self._pending)

    def trouble(self) -> str:
        """Return why a block could not be stored, and forget it; "" if all were stored."""
        self._sort()
        trouble, self._trouble = self._trouble, ""
        return trouble

    def append(self, make: Callable[[Block], AppendBlock]) -> None:
        """Store what was journaled since the last call, if anything was."""
        block = self._cut()
        if block is not None:
            self._pending.append(_OnItsWay(block, self._store.submit(make(block))))

    def conclude(self, make: Callable[[], Conclude]) -> "Future[Committed]":
        """Store the result together with what was journaled before it.

        An error of `make` is passed on; then nothing has been cut from the journal.
        """
        result = make()
        block = self._cut()
        self._conclusion = self._store.submit(replace(result, block=block))
        self._pending.append(_OnItsWay(block, self._conclusion))
        return self._conclusion

    async def result(self, make: Callable[[], Conclude]) -> Committed:
        """Wait until the result is on the disk; `make` makes its transaction if there is none yet, or the last failed.

        Raises:
            StoreError: the result could not be stored.
        """
        if self._conclusion is not None:
            with contextlib.suppress(StoreError):  # it may have failed only because a block before it failed
                return await _answer(self._conclusion)
        return await _answer(self.conclude(make))

    async def end(self, make: Callable[[Block | None], EndRun]) -> None:
        """Store the rest of the journal together with the end of the run.

        Raises:
            StoreError: they could not be stored.
        """
        block = self._cut()
        future = self._store.submit(make(block))
        self._pending.append(_OnItsWay(block, future))
        await _answer(future)

    def _sort(self) -> None:
        """Forget blocks that are stored; take back a block that failed, with all blocks behind it."""
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
    """Return the answer of a transaction; a cancelled wait does not undo the transaction."""
    return await asyncio.shield(asyncio.wrap_future(future))
