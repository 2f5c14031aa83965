"""Time of a whole process to ``--help``, and of imports."""

import subprocess
import sys
import time


def main() -> None:
    print("Start-up, whole processes, best of 5")
    for what, code in (
        ("python -c pass", ["-c", "pass"]),
        ("daq --help", ["-m", "daq", "--help"]),
        ("daq runs --help", ["-m", "daq", "runs", "--help"]),
        ("import of the supervisor (what serve needs)", ["-c", "import daq.app.daemon.supervisor"]),
        ("import of the core", ["-c", "import daq.core.pipeline"]),
    ):
        print(f"  {what:<45} {best(code) * 1000:6.0f} ms")


def best(arguments: list[str]) -> float:
    times = []
    for _ in range(5):
        began = time.perf_counter()
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - began)
    return min(times)
