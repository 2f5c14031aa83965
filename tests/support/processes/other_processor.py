"""A Python process that computes as a processor without fused multiply-add and wide vectors does."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[3]
LIMITED = {
    "NPY_DISABLE_CPU_FEATURES": "X86_V3",
    "OPENBLAS_CORETYPE": "Nehalem",
    "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX2,-FMA,-AVX2_Usable,-FMA_Usable",
}
"""Settings of numpy, OpenBLAS and the C library.  A processor without these parts ignores them: both processes then compute the same."""


def computed_elsewhere(function: str, *arguments: str) -> Any:
    """Return what `module:function` gives in the other process, as JSON; arguments are texts."""
    module, _, name = function.partition(":")
    code = f"import json, sys; from {module} import {name}; print(json.dumps({name}(*sys.argv[1:])))"
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env=os.environ | LIMITED, cwd=ROOT, capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])
