"""Shared code of tests is in helpers: no module imports from a test module, and helpers of several folders are in tests/support."""

import ast
import functools
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
OPEN = ("tests.support", "tests.campaigns", "tests.bench")
"""Folders that every other folder may import from: helpers, and the campaigns and benchmarks with their short tests."""


def imported(tree: ast.AST) -> set[str]:
    """Return the full names of all imports, including those of programs inside strings."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            start = "." * node.level + (node.module or "")
            names |= {f"{start}.{alias.name}" for alias in node.names}
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and "import tests" in node.value.replace("from ", "import ")
        ):
            names |= {word for word in node.value.split() if word.startswith("tests.")}
    return names


def is_test_module(name: str) -> bool:
    return name.startswith(("tests.", ".")) and any(part.startswith("test_") for part in name.split("."))


@functools.cache
def modules():
    found = []
    for path in sorted(set(TESTS.rglob("*.py")) - {Path(__file__)}):
        names = imported(ast.parse(path.read_text("utf-8")))
        found.append((str(path.relative_to(TESTS.parent)), {n for n in names if n.startswith(("tests.", "."))}))
    return found


@pytest.mark.parametrize(
    "text",
    [
        "from tests.core.test_run import into",
        "import tests.core.test_run",
        "from tests.core import parts, test_run",
        "from tests.core import test_run as run",
        "from .test_run import into",
        "def f():\n    from tests.core.test_run import into",
        "CODE = 'import sys\\nfrom tests.core.test_run import into\\n'",
    ],
)
def test_an_import_from_a_test_module_is_found(text):
    assert any(is_test_module(name) for name in imported(ast.parse(text)))


def test_no_module_imports_from_a_test_module():
    assert [(path, name) for path, names in modules() for name in names if is_test_module(name)] == []


def test_helpers_of_several_folders_are_in_support():
    wrong = [
        (path, name)
        for path, names in modules()
        for name in names
        if name.startswith("tests.") and not name.startswith(OPEN) and name.split(".")[1] != path.split("/")[1]
    ]
    assert wrong == []
