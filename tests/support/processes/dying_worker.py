"""The process for computations, killed once: `python -m tests.support.processes.dying_worker FILE N DATABASE UUID`.

It dies before or after the N-th message that it sends or receives, counted in these moments; while FILE exists, never.
"""

import os
import signal
import sys
from itertools import count
from multiprocessing.connection import Connection
from pathlib import Path

from daq.app.daemon.computing import worker

moments = count(1)


def moment(file: Path, at: int) -> None:
    if next(moments) == at and not file.exists():
        file.touch()
        os.kill(os.getpid(), signal.SIGKILL)


def main() -> None:
    file, at = Path(sys.argv[1]), int(sys.argv[2])
    del sys.argv[1:3]

    class Dying(Connection):
        def send(self, obj: object) -> None:
            moment(file, at)
            super().send(obj)
            moment(file, at)

        def recv(self) -> object:
            found = super().recv()
            moment(file, at)
            return found

    worker.Connection = Dying
    worker.PRELOADED = ()
    worker.main()


if __name__ == "__main__":
    main()
