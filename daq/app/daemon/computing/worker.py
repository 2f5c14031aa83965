"""The process for computations: ``python -m daq.app.daemon.computing.worker DATABASE UUID``.

Its standard input is a socket with messages in both directions.  It reads the database itself, and hands transactions
to the daemon, which has the only writer.  It ends when the socket does: at once, whatever it computes, also where the
daemon was killed.
"""

import contextlib
import os
import signal
import sys
import threading
import traceback
from collections.abc import Mapping, MutableMapping
from concurrent.futures import Future, ThreadPoolExecutor
from importlib import import_module
from itertools import count
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final, TypeVar

import daq.process.plainlogs  # isort: skip - before any import of structlog
import structlog

import daq
from daq.adapters.store.access import Transaction
from daq.adapters.store.reading import Reader
from daq.app.daemon.computing.messages import Asked, Committed, Done, Logged, Ready, Submitted, portable
from daq.app.daemon.computing.tasks import Place, Queue
from daq.app.records.replaying import maker
from daq.app.setup.drivers import Drivers
from daq.core.errors import DaqError

T = TypeVar("T")

PRELOADED: Final = (
    "scipy.optimize",
    "scipy.special",
    "daq.app.records.readings",
    "daq.descriptions.driver",
    "daq.methods.curves.curve",
    "daq.rheology.montecarlo",
)
"""Modules that tasks import at their first use."""
POLITE: Final = 10
"""Niceness of the process: the daemon has priority."""
FIRST_OUT: Final = "800"
"""Score of the process where the memory is full (proc(5), -1000 to 1000): it is ended, and not the daemon."""
AT_ONCE: Final[dict[Queue, int]] = {"conclusion": 1, "record": 2, "journal": 1}
"""Number of tasks of each queue that are carried out at a time: none waits for one of another queue."""

log = structlog.get_logger()


class StoreOfDaemon:
    """The database, read here and written by the daemon."""

    def __init__(self, path: Path, uuid: str, worker: "Worker") -> None:
        self.uuid = uuid
        self._path, self._worker = path, worker

    def reader(self) -> Reader:
        """Return a new read-only connection; a database that was put back is another file under the same name."""
        return Reader(self._path)

    def submit(self, transaction: Transaction[T]) -> Future[T]:
        """Send a transaction to the daemon; the future gives its outcome once it is on the disk."""
        return self._worker.submit(transaction)


class Worker:
    """Carries out tasks in threads, while one thread reads what the daemon sends."""

    def __init__(self, connection: Connection, path: Path, uuid: str) -> None:
        """`connection` leads to the daemon; `path` and `uuid` are the file and the identity of the database."""
        self._connection = connection
        self._store = StoreOfDaemon(path, uuid, self)
        self._make = maker(Drivers.find())
        self._sending = threading.Lock()
        self._numbers = count(1)
        self._waiting: dict[int, Future[Any]] = {}
        self._pools = {name: ThreadPoolExecutor(at_once, name) for name, at_once in AT_ONCE.items()}

    def serve(self) -> None:
        """Carry out tasks until the daemon ends."""
        self._pools["journal"].submit(self._preload)
        while True:
            try:
                message = self._connection.recv()
            except (EOFError, OSError):
                return
            if isinstance(message, Asked):
                self._pools[message.task.queue].submit(self._carry_out, message)
            elif isinstance(message, Committed):
                waiting = self._waiting.pop(message.number)
                if message.error is None:
                    waiting.set_result(message.value)
                else:
                    waiting.set_exception(message.error)

    def submit(self, transaction: Transaction[T]) -> Future[T]:
        """Send a transaction to the daemon and return its future."""
        number, future = next(self._numbers), Future[T]()
        self._waiting[number] = future
        self._send(Submitted(number, transaction))
        return future

    def log(self, _logger: object, level: str, event: MutableMapping[str, Any]) -> Mapping[str, Any]:
        """Send a line of the log to the daemon; the last of structlog's processors."""
        text = str(event.pop("event", ""))
        fields = {key: value if isinstance(value, str) else repr(value) for key, value in event.items()}
        self._send(Logged(level, text, fields))
        raise structlog.DropEvent

    def _send(self, message: object) -> None:
        with self._sending:
            self._connection.send(message)

    def _preload(self) -> None:
        """Import what the tasks import at their first use, so that the first one is as fast as the others."""
        try:
            for name in PRELOADED:
                import_module(name)
        except Exception:
            log.exception("a library cannot be imported")  # the tasks that need it say so again
        self._send(Ready(daq.__version__))

    def _carry_out(self, asked: Asked) -> None:
        try:
            value = asked.task.carry_out(Place(self._store, self._make, asked.utc_ns))
            done = Done(asked.number, value)
        except DaqError as error:
            done = Done(asked.number, error=portable(error))
        except Exception as error:
            log.exception("fault of the software", task=type(asked.task).__name__)
            done = Done(asked.number, error=portable(error))
        try:
            self._send(done)
        except OSError:
            return  # the daemon has ended
        except Exception as error:  # the value cannot be sent
            log.exception("fault of the software", task=type(asked.task).__name__)
            self._send(Done(asked.number, error=portable(error)))


def main() -> None:
    """Serve the socket at the standard input."""
    # Ctrl-C, and systemd at a stop, send their signal to every process; this one ends with the daemon.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    os.nice(POLITE)
    for file, value in (
        ("oom_score_adj", FIRST_OUT),
        ("autogroup", str(POLITE)),
    ):
        with contextlib.suppress(OSError):  # not on every system
            Path("/proc/self", file).write_text(value)
    worker = Worker(Connection(os.dup(0)), Path(sys.argv[1]), sys.argv[2])
    structlog.configure(processors=[structlog.processors.format_exc_info, worker.log], cache_logger_on_first_use=False)
    try:
        worker.serve()
    except BaseException:  # noqa: BLE001 - a thread that still computes must not keep the process
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


if __name__ == "__main__":
    main()
