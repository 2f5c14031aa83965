"""The import of structlog without rich, for processes that only write logs.

structlog imports rich where it is installed, to draw tracebacks. `set_up_logs` formats them before that, so the daemon,
its processes and the collector never draw one: the import of rich is three quarters of the import of structlog, 0.15 s
of the processor time of each start. A module that begins such a process imports this one before any that logs.
"""

import sys


def _import_without_rich() -> None:
    if "structlog" in sys.modules or "rich" in sys.modules:
        return
    # Python's own way to let an import fail (its documentation of `sys.modules`).
    sys.modules["rich"] = None  # type: ignore[assignment]
    try:
        import structlog  # noqa: F401, PLC0415 - here, and no earlier
    finally:
        del sys.modules["rich"]


_import_without_rich()
