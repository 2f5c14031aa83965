"""The daemon's end of the process for computations: start and end, tasks, and what they submit."""

import contextlib
import pickle
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from itertools import count
from multiprocessing.connection import Connection
from pathlib import Path
from queue import SimpleQueue
from typing import Any, Final, TypeVar

import structlog

import daq
from daq.adapters.store.store import Writing
from daq.app.daemon.computing.messages import Asked, Committed, Done, Logged, Ready, Submitted, portable
from daq.app.daemon.computing.tasks import Task
from daq.core.errors import DaqError
from daq.process.pagechild import page_environment as own_environment

T = TypeVar("T")
Messages = SimpleQueue[bytes | None]

log = structlog.get_logger()

MODULE: Final = "daq.app.daemon.computing.worker"
MOST_STARTS: Final = 3
"""Number of failed starts in a row after which the process is not started again."""
MOST_DEATHS: Final = 3
"""Number of ends of the process after which a task that it had each time is not sent again."""
HANGS_S: Final = 60.0
"""Time in seconds without an answer after which the process is ended; only a whole journal may take longer."""
WATCH_S: Final = 5.0
"""Time in seconds between two looks whether it hangs."""
AGAIN_S: Final = 0.5
"""Time in seconds between the end of the process and its next start."""
UNUSABLE: Final = "the process for computations cannot be used"
TOO_OFTEN: Final = "the process for computations ended each time; the journal may be too long for the memory"
DAEMON_ENDS: Final = "the daemon ends; it is made up for after the next start, or when it is asked for"


class NoProcessError(DaqError):
    """The process cannot be used; the task may be carried out in the daemon."""


class EndedError(DaqError):
    """The task was not carried out to its end, and must not be carried out in the daemon."""


@dataclass(slots=True)
class _Waiting:
    message: bytes
    whole_journal: bool
    future: "Future[Any]"
    since: float
    """Monotonic time of the request, s."""
    deaths: int = 0
    """Number of times that the process ended while it had the task."""

    def end(self) -> None:
        """End the task: in the daemon it may be carried out only if it does not need the memory of a whole journal."""
        harmful = self.whole_journal and self.deaths
        self.future.set_exception(EndedError(TOO_OFTEN) if harmful else NoProcessError(UNUSABLE))


def worker_command(path: Path, uuid: str) -> list[str]:
    """Return the command of the process for a database and its identity."""
    return [sys.executable, "-m", MODULE, str(path), uuid]


class ComputingProcess:
    """The process and the tasks that it has.  Threads talk to it, so that no loop waits for it.

    Attributes:
        pid: process id; None while there is none.
    """

    def __init__(self, store: Writing, command: Sequence[str]) -> None:
        """`store` commits what tasks submit; `command` starts the process.  Nothing is started yet."""
        self.pid: int | None = None
        self._store, self._command = store, tuple(command)
        self._lock = threading.Lock()
        self._numbers = count(1)
        self._waiting: dict[int, _Waiting] = {}
        self._out: Messages | None = None
        """Messages for the process; None while it is not ready."""
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = threading.Event()
        self._given_up = False
        self._answered = 0.0
        """Monotonic time of the last message of the process, or of its start, s."""
        self._thread = threading.Thread(target=self._keep, name="computing", daemon=True)

    def start(self) -> None:
        """Start the process in the background, where that was not done yet."""
        with self._lock:
            if self._thread.ident is None and not self._closed.is_set():
                self._thread.start()

    def answers(self) -> bool:
        """Return whether a task needs not wait for the start of the process, which is started where it was not yet."""
        self.start()
        with self._lock:
            return self._out is not None or self._closed.is_set()

    def ask(self, task: Task[T], utc_ns: int) -> "Future[T]":
        """Send a task, as it is now, and return the future of its value; `utc_ns` is the present time.

        The future raises the task's own error, `NoProcessError` where the process cannot be used, or `EndedError` where
        the process ended too often, or is being ended.
        """
        self.start()
        future: Future[T] = Future()
        future.set_running_or_notify_cancel()  # a caller that waits no longer does not end the task
        number = next(self._numbers)
        asked = _Waiting(pickle.dumps(Asked(number, task, utc_ns)), task.queue == "journal", future, time.monotonic())
        with self._lock:
            if self._closed.is_set():
                future.set_exception(EndedError(DAEMON_ENDS))
            elif self._given_up:
                future.set_exception(NoProcessError(UNUSABLE))
            else:
                self._waiting[number] = asked
                if self._out is not None:
                    self._out.put(asked.message)
        return future

    def close(self) -> None:
        """End the process, with the tasks that it still has.  It waits, so it is called in a thread."""
        with self._lock:
            self._closed.set()
            waiting, self._waiting = self._waiting, {}
            if self._process is not None:
                self._process.kill()  # it holds nothing: whatever was to be stored is with the daemon
        for w in waiting.values():
            w.future.set_exception(EndedError(DAEMON_ENDS))
        if self._thread.is_alive():
            self._thread.join()

    # ---- the thread that keeps the process

    def _keep(self) -> None:
        """Start the process, and again after its end, until it is closed or cannot be started."""
        failed = 0
        while not self._closed.is_set() and failed < MOST_STARTS:
            was_ready = False
            try:
                was_ready = self._live()
            except DaqError as error:
                log.error("process for computations", reason=str(error))
                break
            except Exception:
                log.exception("process for computations")
            if self._closed.is_set():
                return
            failed = 0 if was_ready else failed + 1
            log.warning("process for computations ended", starts_again=failed < MOST_STARTS)
            self._end_those(at_least=MOST_DEATHS)
            self._closed.wait(AGAIN_S)
        log.warning("computations are carried out in the daemon from now on")
        with self._lock:
            self._given_up = True
        self._end_those(at_least=0)

    def _live(self) -> bool:
        """Start the process and serve it to its end; return whether it was ready.

        Raises:
            OSError: it cannot be started.
            DaqError: it is of another version.
        """
        ours, theirs = socket.socketpair()
        with ours, theirs:
            process = subprocess.Popen(  # noqa: S603 - no shell, and no argument of a person
                self._command,
                stdin=theirs.fileno(),
                stdout=subprocess.DEVNULL,
                env=own_environment(),
                start_new_session=True,  # Ctrl-C is for the daemon; the process ends with its socket
            )
            connection = Connection(ours.detach())
        self._answered = time.monotonic()
        out: Messages = SimpleQueue()
        sender = threading.Thread(target=_send_all, args=(connection, out), name="to computing", daemon=True)
        sender.start()
        with self._lock:
            self._process, self.pid = process, process.pid
            if self._closed.is_set():
                process.kill()
        try:
            while not self._hangs():
                if connection.poll(WATCH_S):
                    self._take(connection.recv(), out)
        except (EOFError, OSError):
            pass
        finally:
            with self._lock:
                was_ready = self._out is not None
                self._out = self._process = self.pid = None
                for waiting in self._waiting.values():
                    waiting.deaths += was_ready
            process.kill()
            process.wait()
            out.put(None)
            sender.join()
            connection.close()
        return was_ready

    def _hangs(self) -> bool:
        """Return whether a task that is no whole journal, or the start of the process, has waited for too long."""
        with self._lock:
            waiting = [w.since for w in self._waiting.values() if not w.whole_journal]
            waited = self._out is None or bool(waiting)
            since = max(self._answered, min(waiting, default=self._answered))
        if hangs := waited and time.monotonic() - since > HANGS_S:
            log.error("process for computations hangs", seconds=HANGS_S)
        return hangs

    def _take(self, message: object, out: Messages) -> None:
        """Take a message of the process."""
        self._answered = time.monotonic()
        if isinstance(message, Ready):
            self._ready(message, out)
        elif isinstance(message, Submitted):
            number = message.number
            self._store.submit(message.transaction).add_done_callback(lambda done: out.put(_outcome(number, done)))
        elif isinstance(message, Logged):
            getattr(log, message.level)(message.event, **message.fields)
        elif isinstance(message, Done):
            with self._lock:
                waiting = self._waiting.pop(message.number, None)
            if waiting is None:  # it was ended meanwhile
                return
            if message.error is None:
                waiting.future.set_result(message.value)
            else:
                waiting.future.set_exception(message.error)

    def _ready(self, message: Ready, out: Messages) -> None:
        if message.version != daq.__version__:
            raise DaqError(f"daq was updated to {message.version}: restart the daemon")
        with self._lock:
            if not self._closed.is_set():
                self._out = out
                for waiting in self._waiting.values():
                    out.put(waiting.message)

    def _end_those(self, *, at_least: int) -> None:
        """End the tasks with at least that number of deaths."""
        with self._lock:
            numbers = [number for number, w in self._waiting.items() if w.deaths >= at_least]
            ended = [self._waiting.pop(number) for number in numbers]
        for waiting in ended:
            waiting.end()


def _outcome(number: int, done: "Future[Any]") -> bytes:
    error = done.exception()
    return pickle.dumps(Committed(number, done.result()) if error is None else Committed(number, error=portable(error)))


def _send_all(connection: Connection, out: Messages) -> None:
    """Send messages until the None behind them; a process that takes none holds up this thread only."""
    with contextlib.suppress(OSError):  # it has ended, which the thread that reads sees, too
        while (message := out.get()) is not None:
            connection.send_bytes(message)
