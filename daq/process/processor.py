"""The kind of processor: it decides how exponentials, logarithms and sums of matrices are rounded."""

import platform
from functools import lru_cache
from pathlib import Path
from typing import Final

CPU_INFO: Final = Path("/proc/cpuinfo")
ROUNDING: Final = ("avx", "avx2", "avx512f", "fma")
"""Features for which the C library, numpy and OpenBLAS have code of their own that rounds in another way."""


@lru_cache(1)
def processor() -> str:
    """Return the machine type and the features on which rounding depends, for example "x86_64 avx avx2 fma".

    Only the machine type where the system does not list features.
    """
    try:
        text = CPU_INFO.read_text("utf-8", "replace")
    except OSError:
        return platform.machine()
    flags = next((line.partition(":")[2].split() for line in text.splitlines() if line.startswith("flags")), [])
    return " ".join([platform.machine(), *(name for name in ROUNDING if name in flags)])
