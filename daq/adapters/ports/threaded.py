"""Ports that the event loop cannot watch: separate threads open, read and write them."""

import asyncio
import contextlib
import queue
import threading
from collections.abc import Callable
from typing import Any, TypeVar

from daq.adapters.ports.types import OUTPUT_LIMIT, Connection, OnData, OnLost, Sent, ignore_sent
from daq.core.errors import LinkError

T = TypeVar("T")


class ThreadConnection(Connection):
    """Any port of pyserial, read in blocks by one thread and written by another."""

    def __init__(self, port: Any, name: str, on_data: OnData, on_lost: OnLost) -> None:
        self._port, self._name = port, name
        self._on_data, self._on_lost = on_data, on_lost
        self._loop = asyncio.get_running_loop()
        self._closed = False
        self._waiting = 0
        self._output: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        for what, work in (("read", self._read), ("write", self._write)):
            threading.Thread(target=work, name=f"{what} {name}", daemon=True).start()

    def _read(self) -> None:
        while not self._closed:
            try:
                data = self._port.read(self._port.in_waiting or 1)
            except (
                OSError,
                TypeError,
                AttributeError,
            ) as error:  # TypeError, AttributeError: pyserial, when the port closes during a read
                self._call_in_loop(self._lost, f"read failed: {error}")
                return
            if data:
                self._call_in_loop(self._data, bytes(data))

    def _write(self) -> None:
        while (data := self._output.get()) is not None:
            try:
                self._port.write(data)
            except (OSError, TypeError, AttributeError) as error:
                self._call_in_loop(self._lost, f"write failed: {error}")
                break
            self._call_in_loop(self._written, len(data))
        # In this thread and not in `close`: the closing of a network port takes 0.3 s.
        close_port(self._port)

    def _call_in_loop(self, callback: Callable[..., None], argument: bytes | str | int) -> None:
        with contextlib.suppress(RuntimeError):  # the event loop is closed: the callback has no effect any more
            self._loop.call_soon_threadsafe(callback, argument)

    def _data(self, data: bytes) -> None:
        if not self._closed:
            self._on_data(data)

    def _written(self, count: int) -> None:
        self._waiting -= count

    def _lost(self, reason: str) -> None:
        if not self._closed:
            self.close()
            self._on_lost(reason)

    def write(self, data: bytes, sent: Sent = ignore_sent) -> None:
        """Pass the bytes to the writing thread."""
        if self._closed:
            raise LinkError(f"{self._name}: the port is closed")
        if self._waiting + len(data) > OUTPUT_LIMIT:
            raise LinkError(f"{self._name}: the port does not accept data; check the network and the device")
        self._waiting += len(data)
        self._output.put(data)
        sent()

    def close(self) -> None:
        """Release the port after the waiting bytes are written; the threads end then."""
        if not self._closed:
            self._closed = True
            self._output.put(None)


def close_port(port: Any) -> None:
    """Close a port of pyserial; a network port takes 0.3 s."""
    connection = getattr(port, "_socket", None)
    with contextlib.suppress(OSError, TypeError, AttributeError):
        port.close()
    if connection is not None:
        connection.close()  # pyserial leaves the socket open where the other side has closed it


async def run_in_own_thread(work: Callable[[], T], discard: Callable[[T], object]) -> T:
    """Return the result of `work`, run in a separate thread, for which neither event loop nor program end must wait.

    A result that arrives after the waiting task was cancelled goes to `discard`.
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[T] = loop.create_future()

    def deliver(result: list[T], error: Exception | None) -> None:
        if future.done():
            for late in result:
                threading.Thread(target=discard, args=(late,), daemon=True).start()
        elif error is not None:
            future.set_exception(error)
        else:
            future.set_result(result[0])

    def run() -> None:
        result: list[T] = []
        error: Exception | None = None
        try:
            result.append(work())
        except Exception as problem:  # noqa: BLE001 - raised in the waiting task
            error = problem
        try:
            loop.call_soon_threadsafe(deliver, result, error)
        except RuntimeError:  # the loop is closed
            for late in result:
                discard(late)

    threading.Thread(target=run, name="opens a port", daemon=True).start()
    return await future
