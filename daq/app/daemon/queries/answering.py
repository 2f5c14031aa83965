"""The process that answers queries: ``python -m daq.app.daemon.queries.answering DATABASE FOLDER``.

It writes the line `READY`, then reads one line of JSON for each query, and writes one for each answer.  It ends when
its input ends, which is when the daemon ends, however that happens.
"""

import json
import os
import sys
import time
from pathlib import Path
from typing import IO, Any, Final

from daq.adapters.store.reading import Reader
from daq.app.daemon.queries.registry import answered
from daq.core.errors import DaqError, SettingError, StoreError

READY: Final = b"ready\n"
"""First line of the output."""
LARGEST_ANSWER: Final = 8 << 20
"""Greatest length of an answer in bytes."""
POLITE: Final = 10
"""Niceness of the process: the daemon has priority."""


def answer_of(path: Path, line: bytes, folder: Path | None = None) -> dict[str, Any]:
    """Return the answer to the line of a query: ``{"answer": ...}``, or ``{"error": ..., "kind": ...}``.

    Args:
        path: the database.
        line: the query as JSON.
        folder: the configuration folder; None: queries about the configuration are refused.
    """
    asked = json.loads(line)
    try:
        # A reader for each query: a database that was put back is another file under the same name.
        with Reader(path) as reader:
            return {"answer": answered(reader, asked["query"], asked["parameters"], time.time_ns(), folder)}
    except SettingError as error:
        return {"error": str(error), "kind": "setting"}
    except StoreError as error:
        return {"error": str(error), "kind": "fault"}
    except (DaqError, ValueError, OverflowError) as error:
        return {"error": f"the query failed: {error}", "kind": "fault"}


def serve(path: Path, folder: Path, asked: IO[bytes], answers: IO[bytes]) -> None:
    """Answer queries about a database and a configuration folder until the input ends."""
    answers.write(READY)
    answers.flush()
    for line in asked:
        out = json.dumps(answer_of(path, line, folder), separators=(",", ":")).encode()
        if len(out) > LARGEST_ANSWER:
            too_long = "the answer is too long; ask for less"
            out = json.dumps({"error": too_long, "kind": "setting"}).encode()
        answers.write(out + b"\n")
        answers.flush()


if __name__ == "__main__":
    os.nice(POLITE)
    serve(Path(sys.argv[1]), Path(sys.argv[2]), sys.stdin.buffer, sys.stdout.buffer)
