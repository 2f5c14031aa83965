"""The SQL statements in the program's text, those that it runs, and the tables that each of them reads whole."""

import ast
import contextlib
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import daq

ROOT = Path(daq.__file__).parent
#: Parts of the program without statements of this database: the migrations, views in place of tables that an older
#: format does not have, and the collector with its own database.
LEFT_OUT = ("adapters/store/schema.py", "adapters/store/forms/opening.py", "collect/")
STATEMENT = re.compile(r"\s*(SELECT|INSERT|UPDATE|DELETE|WITH|REPLACE)\b")
PART = re.compile(r"[a-z_] (=|<>|<|>|<=|>=) \?|\b(ORDER BY|GROUP BY|WHERE|EXISTS)\b")
#: Tables that do not grow with the runs.
SMALL = frozenset(
    {"meta", "instruments", "methods", "broker_session", "streams", "_sqlite_migrations", "sqlite_schema"}
)


@dataclass(frozen=True, slots=True)
class Written:
    """A statement, or a part of one, in the program's text.

    Attributes:
        place: file and line.
        pattern: matches every statement in which it is used.
    """

    place: str
    pattern: re.Pattern[str]


def written(root: Path = ROOT) -> list[Written]:
    """Return every text of the program that is a statement or a part of one, docstrings left out."""
    found = []
    for file in sorted(root.rglob("*.py")):
        name = file.relative_to(root).as_posix()
        if not name.startswith(LEFT_OUT):
            found += [Written(f"{name}:{node.lineno}", _pattern(parts)) for node, parts in _texts(file)]
    return found


def _texts(file: Path) -> Iterator[tuple[ast.expr, list[str]]]:
    tree = ast.parse(file.read_text("utf-8"))
    inner = {
        id(n) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for n in ast.walk(node) if n is not node
    }
    inner |= {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if id(node) in inner:
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            parts = [node.value]
        elif isinstance(node, ast.JoinedStr):
            parts = [str(v.value) if isinstance(v, ast.Constant) else "{}" for v in node.values]
        else:
            continue
        if STATEMENT.match("".join(parts)) or PART.search("".join(parts)):
            yield node, parts


def _pattern(parts: list[str]) -> re.Pattern[str]:
    text = "".join(parts)
    return re.compile(".*".join(re.escape(piece) for piece in re.split(r"\{.*?\}", text)), re.DOTALL)


class Recording(sqlite3.Connection):
    """A connection that notes each statement with its parameters, and counts the steps of SQLite's machine.

    Attributes:
        statements: parameters of the first use of each statement.
        steps: number of steps of all connections.
    """

    statements: dict[str, Any] = {}  # noqa: RUF012 - of all connections
    steps = 0

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.set_progress_handler(self._step, 1)

    @staticmethod
    def _step() -> int:
        Recording.steps += 1
        return 0

    def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
        Recording.statements.setdefault(sql, parameters)
        return super().execute(sql, parameters)

    def executemany(self, sql: str, rows: Any, /) -> sqlite3.Cursor:
        listed = list(rows)
        if listed:
            Recording.statements.setdefault(sql, listed[0])
        return super().executemany(sql, listed)


@contextlib.contextmanager
def recording(patch: Any) -> Iterator[dict[str, Any]]:
    """Let every connection record, and yield the statements that run inside, with parameters of each."""
    connect = sqlite3.connect
    Recording.statements = {}
    with patch.context() as inner:
        inner.setattr(sqlite3, "connect", lambda *args, **more: connect(*args, factory=Recording, **more))
        yield Recording.statements


def whole_tables(db: sqlite3.Connection, sql: str, parameters: Any = ()) -> list[str]:
    """Return the growing tables that a statement reads whole, or for which SQLite builds an index on each call.

    An order of rows that are read through an index is no reason: a query with a small LIMIT ends early.  Such a query is
    named too, because its plan does not show whether the rows are few.
    """
    tables = {name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")} - SMALL
    names = {name: name for name in tables} | {
        alias: table for table, alias in re.findall(r"\b(\w+) AS (\w+)", sql) if table in tables
    }
    found = []
    for *_, detail in db.execute(f"EXPLAIN QUERY PLAN {sql}", parameters):
        word, _, rest = detail.partition(" ")
        name = names.get(rest.split(" ")[0])
        if name is not None and (word == "SCAN" or "AUTOMATIC" in rest):
            found.append(name)
    return found
