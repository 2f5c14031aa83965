"""Processor time and largest memory of whole processes, the best of several."""

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from daq.core.errors import DaqError

TIMES: Final = 3
MEMORY: Final = """
import sys
from pathlib import Path
from daq.app.cli import main
code = main(sys.argv[1:])
sys.stdout.flush()
# Not `ru_maxrss`, which has the memory of the process that started this one.
print(next(x.split()[1] for x in Path("/proc/self/status").open() if x.startswith("VmHWM")), file=sys.stderr)
sys.exit(code == 2)  # 1: something is amiss in the database of the benchmark
"""
"""Program that carries out a command and then prints its largest memory (KiB)."""


def of_process(arguments: Sequence[str], codes: Sequence[int] = ()) -> float:
    """Return the processor time (s) of Python with these arguments, its start included; exit codes in `codes` are good.

    Raises:
        DaqError: the process failed.
    """
    installed = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    process = subprocess.Popen(
        [sys.executable, *arguments], env=installed, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    assert process.stderr is not None
    complaint = process.stderr.read().decode()
    process.stderr.close()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode < 0 or process.returncode in {1, 2} - set(codes) or "fault in daq" in complaint:
        raise DaqError(f"{' '.join(arguments)}: {complaint}")
    return used.ru_utime + used.ru_stime


def best(arguments: Sequence[str], codes: Sequence[int] = ()) -> float:
    """Return the least processor time (s) of `TIMES` processes after one that compiles the modules."""
    return min([of_process(arguments, codes) for _ in range(TIMES + 1)][1:])


def memory(words: Sequence[str]) -> float:
    """Return the largest memory (MB) of a command."""
    done = subprocess.run([sys.executable, "-c", MEMORY, *words], capture_output=True, text=True, check=True)
    return float(done.stderr.split()[-1]) / 1024


def used_by(pid: int) -> float:
    """Return the processor time (s) that a process has used until now, with threads that have ended."""
    user, system = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")
