"""Speed of `daq archive`, and how long blocks of runs in progress wait: ``python -m tests.bench.archive --runs N``."""

import argparse
import contextlib
import itertools
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

from daq.adapters.paths import database_path
from daq.adapters.store.archiving.finding import size_of
from daq.adapters.store.checks import check_content
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Ping
from daq.app.laboratory.acts import carry_out
from daq.app.records.archiving import Archiving
from daq.laboratory.archives import MOST_RUNS
from tests.bench.year import make
from tests.support.runs.archived import LATER, works

EVERY_S = 0.1
ALONE_S = 5.0


class Waits:
    """Commits a transaction again and again, as a run in progress does, and keeps the longest wait (s)."""

    def __init__(self, store: Store) -> None:
        self._store, self.longest, self.count = store, 0.0, 0
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._end.wait(EVERY_S):
            began = time.perf_counter()
            self._store.submit(Ping()).result()
            self.longest = max(self.longest, time.perf_counter() - began)
            self.count += 1

    def end(self) -> None:
        self._end.set()
        self._thread.join()


def size(state: Path) -> str:
    with Reader(database_path(state)) as reader:
        found = size_of(reader)
    return f"{found.used / 1e6:.0f} MB used of {found.file / 1e6:.0f} MB"


class Pace:
    """Processor time (s) and largest memory (MiB) after each archive, and the ratio of the last to the first ones."""

    def __init__(self) -> None:
        self._worked = [time.process_time()]
        self._memory: list[float] = []

    def __call__(self, line: str) -> None:
        self._worked.append(time.process_time())
        status = Path("/proc/self/status").read_text("ascii")
        self._memory.append(int(status.split("VmHWM:")[1].split()[0]) / 1024)
        print(f"  {line}: {self._worked[-1] - self._worked[-2]:.1f} s, {self._memory[-1]:.0f} MiB", flush=True)

    def __str__(self) -> str:
        each = [b - a for a, b in itertools.pairwise(self._worked)]
        tenth = max(len(each) // 10, 1)
        first, last = (statistics.median(part) for part in (each[:tenth], each[-tenth:]))
        return (
            f"an archive took {first:.1f} s of the processor at first and {last:.1f} s at last; "
            f"memory {self._memory[0]:.0f} MiB after the first one, {self._memory[-1]:.0f} MiB after the last one"
        )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.archive")
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument(
        "--state", type=Path, help="state directory with a database of `tests.bench.year`; it is changed"
    )
    parser.add_argument("--most", type=int, default=MOST_RUNS, help="largest number of runs in one archive")
    asked = parser.parse_args()
    with contextlib.ExitStack() as stack:
        state = asked.state or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        medium = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        if asked.state is None:
            make(database_path(state), asked.runs)
        print(f"before: {size(state)}", flush=True)
        with works(state) as lab:
            waits = Waits(lab.store)
            time.sleep(ALONE_S)
            waits.end()
            print(f"a transaction alone waited {waits.longest * 1000:.0f} ms at most", flush=True)
            waits = Waits(lab.store)
            began, worked = time.perf_counter(), time.process_time()
            pace = Pace()
            archiving = Archiving(
                database_path(state),
                medium,
                lambda act, order: carry_out(lab, act, order),
                say=pace,
                most_runs=asked.most,
            )
            done = archiving.run(LATER)
            seconds, cpu = time.perf_counter() - began, time.process_time() - worked
            waits.end()
        print(
            f"after:  {size(state)}; archives {sum(a.bytes for a in done.archives) / 1e6:.0f} MB in {len(done.archives)} files"
        )
        print(
            f"{done.removed} journals in {seconds:.0f} s, {cpu:.0f} s of the processor, {done.removed / seconds:.0f} runs/s"
        )
        print(f"a transaction beside it waited {waits.longest * 1000:.0f} ms at most ({waits.count} transactions)")
        print(pace)
        began = time.perf_counter()
        wrong = [f.say for f in check_content(database_path(state)) if not f.ok]
        print(f"check of the database after it: {time.perf_counter() - began:.0f} s, {wrong or 'nothing wrong'}")
    return 1 if done.left or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
