"""Commands that list start without the models, drivers and libraries that they do not need."""

import ast
import functools
import json
import re
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

import daq
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import NoteHealth
from daq.app.records.health_history import Figures
from daq.core.encoding import encode

ROOT = Path(daq.__file__).parent.parent
LIBRARIES = ("asyncio", "numpy", "pandas", "rich", "scipy", "sqlite_utils", "structlog")
"""Libraries that a command needs neither for its models nor for the files of the configuration."""
MODELS = ("pydantic", "daq.laboratory.record", "daq.methods.files.fields")
DRIVERS = ("daq.descriptions.load", "daq.descriptions.driver", "daq.methods.planning.compile")
FILES = ("daq.app.setup.catalogue",)
RUNS = ("daq.app.run.runner", "daq.app.daemon.protocol", "daq.app.daemon.supervisor", "daq.app.setup.orders")
ALL = (*LIBRARIES, *DRIVERS, *RUNS)

WITHOUT = {
    "daq.app.cli": ("daq.app.cli.common", "sqlite3", *MODELS, *ALL),
    "daq.app.cli.measuring.stop": ("daq.adapters.store.reading", *MODELS, *FILES, *ALL),
    "daq.app.cli.records.runs": (*MODELS, *FILES, *ALL),
    "daq.app.cli.records.day": (*MODELS, *FILES, *ALL),
    "daq.app.cli.laboratory.transcribe": (*MODELS, *FILES, *ALL),
    # The daemon reads the files; what the client shows is imported while it waits for the first answer.
    "daq.app.cli.measuring.run": (
        "sqlite3",
        "daq.core.plan",
        "daq.core.effects",
        "daq.app.setup.run_order",
        "daq.app.screens.live",
        "daq.app.daemon",
        *MODELS,
        *FILES,
        *LIBRARIES,
    ),
    "daq.app.cli.measuring.run_shown": ("rich", "structlog", "sqlite3", "daq.core.plan", "daq.core.effects", *FILES),
    "daq.app.cli.delivery.outbox": ("pydantic", *FILES, *ALL),
    "daq.app.cli.records.health": ("daq.app.records.history", "daq.app.records.readings", "daq.core.plan", *ALL),
    "daq.app.cli.samples.sample": (*FILES, *ALL),
    "daq.app.cli.laboratory.review": (*FILES, *ALL),
    "daq.app.cli.laboratory.person": (*FILES, *ALL),
    "daq.app.cli.laboratory.case": (*FILES, *ALL),
    "daq.app.cli.records.show": (
        "daq.adapters.store.transactions",
        "daq.methods.curves.curve",
        "daq.app.records.replaying",
        *FILES,
        *ALL,
    ),
    "daq.app.cli.laboratory.chart": ("daq.methods.files.instrument", "daq.methods.files.recipe", "daq.core.plan", *ALL),
    "daq.app.cli.laboratory.equipment": ("daq.methods.files.recipe", "daq.methods.files.product", *ALL),
    "daq.app.cli.records.verification": ("daq.methods.files.recipe", "daq.methods.files.product", *ALL),
    "daq.app.cli.laboratory.handover": ("daq.methods.files.recipe", *ALL),
    # A bench without an edge node is examined without the parts of the daemon that measure.
    "daq.app.cli.setup.doctor": (
        "daq.app.delivery.sparkplug",
        "daq.app.run.active",
        "daq.app.run.session",
        "daq.app.daemon.supervisor",
        "numpy",
        "pandas",
        "rich",
        "scipy",
        "sqlite_utils",
    ),
    "daq.app.cli.laboratory.trace": ("daq.adapters.store.checks", "daq.core.effects", "daq.core.plan", *FILES, *ALL),
    "daq.app.cli.signing.reportable": ("daq.methods.files.recipe", *ALL),
    # The runs to sign are listed without the model of reportable results and without messages, which take as long.
    "daq.app.cli.signing.sign": (
        "daq.methods.files.recipe",
        "daq.methods.concluding",
        "daq.methods.messages",
        "daq.laboratory.reportables",
        "daq.app.delivery",
        *ALL,
    ),
    "daq.methods.concluding.reportable": ("daq.methods.concluding.budget", *ALL),
    # The processes that tests and benches start most often.  The page knows names of acts, not what they do.
    "daq.app.cli.measuring.serve": ("numpy", "pandas", "rich", "scipy", "sqlite_utils"),
    "daq.page.server": (
        "numpy",
        "pandas",
        "rich",
        "scipy",
        "sqlite_utils",
        "daq.app.laboratory.signing",
        "daq.core.plan",
        "daq.core.effects",
        "daq.adapters.store.transactions",
        "daq.methods.concluding.reportable",
    ),
    "simulators.host": ("asyncio", "numpy", "pydantic", "scipy"),
    "daq.app.records.checks.doubts": ("daq.methods.planning.standing", *MODELS, *FILES, *ALL),
}
"""For each module of a command, modules that its import must not bring with it."""


def file_of(module: str) -> Path | None:
    """Return the file of a module of ours; None for any other."""
    place = ROOT.joinpath(*module.split("."))
    return next((p for p in (place.with_suffix(".py"), place / "__init__.py") if p.is_file()), None)


@functools.cache
def imported_at_once(module: str) -> frozenset[str]:
    """Return the modules that one module imports as it is imported itself, its package included."""
    file = file_of(module)
    if file is None:
        return frozenset()
    found = {module.rpartition(".")[0]} - {""}
    for node in statements(ast.iter_child_nodes(ast.parse(file.read_text("utf-8")))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif node.module:
            found |= {node.module} | {m for a in node.names if file_of(m := f"{node.module}.{a.name}") is not None}
    return frozenset(found)


def statements(nodes: Iterable[ast.AST]) -> Iterator[ast.Import | ast.ImportFrom]:
    """Yield the imports outside of functions and of what only a type checker reads."""
    for node in nodes:
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            yield node
        elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            yield from statements(node.orelse)
        elif isinstance(node, ast.stmt) and not isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            yield from statements(ast.iter_child_nodes(node))


def all_imported(module: str) -> set[str]:
    found, waiting = {module}, [module]
    while waiting:
        new = imported_at_once(waiting.pop()) - found
        found |= new
        waiting += new
    return found


@pytest.mark.parametrize(("module", "without"), list(WITHOUT.items()))
def test_a_command_imports_only_what_it_needs(module, without):
    imported = all_imported(module)
    # A name stands for all modules of its package.
    heavy = {name for name in imported if any(name == w or name.startswith(f"{w}.") for w in without)}
    assert sorted(heavy - {module}) == []


def test_the_names_of_modules_that_are_not_imported_exist():
    for name in {name for without in WITHOUT.values() for name in without if name.startswith("daq.")}:
        assert file_of(name) is not None, name


@pytest.mark.slow
@pytest.mark.parametrize(
    ("command", "without"),
    [
        (("runs",), (*MODELS, *ALL)),
        (("show", "last"), (*FILES, *ALL)),
        (("chart", "clear-glaze"), ALL),
        (("verification",), ALL),
        (("equipment", "list"), ALL),
        (("handover",), ALL),
        (("health", "bench-1"), ("daq.core.pipeline", *ALL)),
        (("outbox",), (*MODELS, *FILES, *ALL)),
    ],
)
def test_a_command_that_runs_imports_only_what_it_needs(shift, command, without):
    with Store(database_path(shift.state)) as store, store.reader() as reader:
        found = encode(Figures(serial="R-1042", geometry="coaxial-12", free=False))
        for run in reader.runs():  # as the daemon notes it after each run
            store.submit(NoteHealth(run.id, run.instrument, run.began_utc_ns, found)).result()
    given = ["--config", str(examples_dir()), "--state", str(shift.state), *command]
    program = (
        "import contextlib, io, json, sys\nfrom daq.app.cli import main\n"
        "with contextlib.redirect_stdout(io.TextIOWrapper(io.BytesIO())):\n"
        f"    code = main({given!r})\n"
        "print(json.dumps([code, *sys.modules]))"
    )
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    code, *imported = json.loads(done.stdout)
    assert code == 0, done.stderr
    assert sorted(set(without) & set(imported)) == []


def modules_after(program: str) -> set[str]:
    """Return the modules that a new process has after a program."""
    done = subprocess.run(
        [sys.executable, "-c", f"import sys\n{program}\nprint(*sys.modules)"],
        check=True,
        capture_output=True,
        text=True,
    )
    return set(done.stdout.split())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("begins", "without"),
    [
        ("import daq.app.cli.measuring.serve", ("attr", "numpy", "pandas", "rich", "scipy", "sqlite_utils")),
        ("import daq.app.cli.setup.doctor", ("numpy", "pandas", "rich", "scipy", "sqlite_utils")),
        ("import daq.page.__main__", ("attr", "numpy", "pandas", "rich", "scipy", "sqlite_utils")),
        ("import daq.app.daemon.computing.worker", ("attr", "numpy", "pandas", "rich", "scipy", "sqlite_utils")),
        ("import simulators.host", ("asyncio", "numpy", "pydantic", "scipy", "structlog")),
    ],
)
def test_a_process_that_goes_on_begins_without_the_libraries_of_others(begins, without):
    """Libraries import others where these are installed; the import lists above see our own imports only."""
    assert sorted(set(without) & modules_after(begins)) == []


def test_a_new_database_is_made_without_sqlite_utils(tmp_path):
    made = modules_after(f"from daq.adapters.store.store import Store\nStore({str(tmp_path / 'daq.db')!r}).close()")
    assert sorted({"pandas", "sqlite_utils"} & made) == []


def test_schemas_are_published_without_the_making_of_models():
    program = (
        "from daq.adapters.mqtt.topics import Topics\nfrom daq.app.delivery.contract import schema_messages\n"
        "from daq.methods.messages.result import ResultData\n"
        "schema_messages(Topics(enterprise='glaze-works'))\n"
        "if ResultData.__pydantic_complete__: print('made')"
    )
    assert "made" not in modules_after(program)


@pytest.mark.slow
@pytest.mark.parametrize("form", ["console", "json"])
def test_logs_are_the_same_without_rich(form):
    """The daemon's lines, with the traceback of an exception among them, do not depend on the import of rich."""
    program = (
        "import structlog\nfrom daq.process.logs import set_up_logs\n"
        f"set_up_logs('info', {form!r})\nlog = structlog.get_logger()\nlog.info('serving', instruments=['bench-1'])\n"
        "try:\n    {}['missing']\nexcept KeyError:\n    log.exception('ended')\n"
        "print(int('rich' in sys.modules))"
    )
    lines, rich = [], []
    for before in ("", "import daq.process.plainlogs\n"):
        done = subprocess.run(
            [sys.executable, "-c", f"import sys\n{before}{program}"], check=True, capture_output=True, text=True
        )
        shown = re.sub(r"\d{4}-\d\d-\d\dT[\d:.]+Z", "TIME", done.stderr)
        lines.append(re.sub(r"line \d+", "line", shown))
        rich.append(done.stdout.strip())
    assert "KeyError" in lines[0]
    assert "Traceback" in lines[0]
    assert lines[0] == lines[1]
    assert rich == ["1", "0"]
