"""Checks that a driver depends on nothing around it: no clock, no IO, no random numbers, nothing printed."""

import ast
import inspect
import textwrap
from typing import Final

from daq.testing.case import Case, passed, printed
from daq.testing.checks.checks_declared import all_requests
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown

IMPURE: Final = frozenset({
    "asyncio", "concurrent", "ctypes", "datetime", "http", "io", "logging", "multiprocessing", "os", "random",
    "requests", "secrets", "select", "serial", "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess", "sys",
    "tempfile", "threading", "time", "urllib", "uuid",
})  # fmt: skip
CALLS: Final = frozenset({"eval", "exec", "open", "print", "input", "__import__", "compile"})


def imports(case: Case) -> Finding:
    """Check that a Python driver imports no clock, no IO and no random numbers."""
    module = inspect.getmodule(type(case.driver))
    if module is None or module.__name__.startswith("daq."):
        raise NotApplicableError("a description file has no code")
    try:
        source = inspect.getsource(type(case.driver) if module.__name__.startswith("tests.") else module)
    except OSError:
        raise NotApplicableError("its source is not available") from None
    wrong = sorted(_impure(ast.parse(textwrap.dedent(source))))
    if wrong:
        raise DriverFaultError(
            f"uses {', '.join(wrong)}",
            do="a driver must be pure: only the exchange uses clocks, ports and random numbers",
        )
    return passed("imports", "no clock, no IO, no random numbers")


def _impure(tree: ast.Module) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in CALLS:
            found.add(f"{node.func.id}()")
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in IMPURE:
            found.add(f"{node.value.id}.{node.attr}")
        for name in names:
            if name.partition(".")[0] in IMPURE:
                found.add(name)
            elif name.startswith("daq.") and not name.startswith(("daq.core", "daq.testing", "daq.descriptions")):
                found.add(f"{name} (drivers may import daq.core only)")
    return found


def quiet(case: Case) -> Finding:
    """Check that the driver prints nothing."""
    with printed() as out:
        driver = case.make()
        all_requests(driver)
        for line in (b"", b"?", *(e.frame for e in (case.talk.examples[:50] if case.talk else ()))):
            driver.decode(line, None)
    if out.getvalue():
        raise DriverFaultError("prints", shown(out.getvalue()), do="remove it: the screen belongs to the run")
    return passed("quiet", "prints nothing")
