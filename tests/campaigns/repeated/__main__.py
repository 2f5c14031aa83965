"""Run the quick tests again and again on a loaded machine: which of them depends on luck?

    python -m tests.campaigns.repeated [--times 20] [--busy 2] [FILE...]

Busy loops run beside the tests.  Prints time and outcome of each turn with the tests that failed; the exit code is 1
where any turn failed.  FILE limits the tests, for example to those that start processes.
"""

import argparse
import re
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager

BUSY = "while True: pass"
FAILED = re.compile(r"^(?:FAILED|ERROR) (\S+)", re.MULTILINE)
TESTS = ("-m", "pytest", "-q", "-m", "not slow", "-n", "3", "--dist", "loadfile", "--no-loadscope-reorder")


@contextmanager
def busy(loops: int) -> Iterator[None]:
    """Keep a number of processes busy for the time of a context."""
    running = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(loops)]
    try:
        yield
    finally:
        for process in running:
            process.kill()
            process.wait()


def main() -> int:
    """Run the turns, print each one, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=20, help="number of turns")
    parser.add_argument("--busy", type=int, default=2, help="number of busy loops")
    parser.add_argument("files", nargs="*", metavar="FILE")
    given = parser.parse_args()
    failures: Counter[str] = Counter()
    failed = 0
    with busy(given.busy):
        for turn in range(1, given.times + 1):
            began = time.monotonic()
            done = subprocess.run([sys.executable, *TESTS, *given.files], capture_output=True, text=True)
            names = FAILED.findall(done.stdout)
            failures.update(names)
            failed += done.returncode != 0
            last = (done.stdout.strip() or done.stderr.strip()).splitlines()[-1:]
            print(f"{turn:3d}  {time.monotonic() - began:6.0f} s  {' '.join(last)}  {' '.join(names)}", flush=True)
    print(
        f"{given.times - failed} of {given.times} turns passed",
        *(f"{n} x {name}" for name, n in failures.items()),
        sep="\n",
    )
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
