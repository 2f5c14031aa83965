"""The messages between the daemon and its process for computations, pickled: both are the same program."""

import pickle
from dataclasses import dataclass
from typing import Any

from daq.adapters.store.access import Transaction
from daq.app.daemon.computing.tasks import Task
from daq.core.errors import DaqError


@dataclass(frozen=True, slots=True)
class Asked:
    """To the process: carry out a task.  `utc_ns` is UTC of the request, ns."""

    number: int
    task: Task[Any]
    utc_ns: int


@dataclass(frozen=True, slots=True)
class Committed:
    """To the process: the outcome of a transaction."""

    number: int
    value: Any = None
    error: Exception | None = None


@dataclass(frozen=True, slots=True)
class Ready:
    """From the process: everything is imported.  `version` is that of daq in it."""

    version: str


@dataclass(frozen=True, slots=True)
class Submitted:
    """From the process: carry out a transaction of a task."""

    number: int
    transaction: Transaction[Any]


@dataclass(frozen=True, slots=True)
class Logged:
    """From the process: a line of its log."""

    level: str
    event: str
    fields: dict[str, str]


@dataclass(frozen=True, slots=True)
class Done:
    """From the process: the outcome of a task."""

    number: int
    value: Any = None
    error: Exception | None = None


def portable(error: BaseException) -> Exception:
    """Return an error that can be sent: itself, or one of the project with its text."""
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301 - own data
    except Exception:  # noqa: BLE001 - an error of any library, pickled by its own code
        return DaqError(f"{type(error).__name__}: {error}")
    return error if isinstance(error, Exception) else DaqError(f"{type(error).__name__}: {error}")
