"""The installation: the base for a bench, extras by name, and the versions of uv.lock."""

import ast
import re
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, packages_distributions, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from daq.process.extras import EXTRAS
from tests.docs import pinned

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
ROOTS_OF_OURS = {"daq", "drivers", "simulators", "tests"}

BLOCK = """
import sys
allowed = set({allowed!r})
class Absent:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {known!r} and name.partition(".")[0] not in allowed:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)
        return None
sys.meta_path.insert(0, Absent())
"""


def closure(*extras):
    """Return the distributions that pip installs for the base and extras."""
    wanted = [Requirement(r) for r in PROJECT["dependencies"]]
    for extra in extras:
        wanted += [Requirement(r) for r in PROJECT["optional-dependencies"][extra]]
    found: set[str] = set()
    while wanted:
        need = wanted.pop()
        name = canonicalize_name(need.name)
        asked = [{"extra": extra} for extra in need.extras] or [{"extra": ""}]
        if name in found and not need.extras:
            continue
        found.add(name)
        try:
            listed = [Requirement(r) for r in requires(need.name) or []]
        except PackageNotFoundError:
            continue
        wanted += [r for r in listed if r.marker is None or any(r.marker.evaluate(e) for e in [*asked, {"extra": ""}])]
    return found


def with_only(*extras, code):
    """Run code as if only the base and these extras were installed."""
    installed = packages_distributions()
    there = closure(*extras)
    known = {top for top in installed if top not in ROOTS_OF_OURS}
    allowed = {top for top, names in installed.items() if {canonicalize_name(n) for n in names} & there}
    program = BLOCK.format(allowed=sorted(allowed), known=sorted(known)) + code
    return subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=120, cwd=ROOT)


def daq(*words):
    return f"from daq.app.cli import main\nsys.exit(main({[str(w) for w in words]!r}))\n"


def test_the_base_has_no_server_and_no_compiler_of_certificates():
    assert closure().isdisjoint({"amqtt", "cryptography", "protobuf", "psycopg", "aiohttp", "pytest"})
    assert closure("demo") - closure() >= {"amqtt"}


def test_the_simulation_of_a_base_install_blocks_what_is_not_in_it():
    assert "No module named 'amqtt'" in with_only(code="import amqtt").stderr
    assert with_only("demo", code="import amqtt").returncode == 0


@pytest.mark.slow
@pytest.mark.parametrize("words", [("check",), ("doctor",), ("runs",), ("driver", "list"), ("schemas",), ("outbox",)])
def test_the_base_does_what_a_bench_needs(tmp_path, words):
    done = with_only(code=daq("--state", tmp_path, *words))
    assert "No module named" not in done.stdout + done.stderr, done.stderr
    assert "fault in daq" not in done.stderr


@pytest.mark.slow
def test_every_module_is_imported_with_the_base_or_belongs_to_an_extra():
    """Modules that need an extra are imported only by functions, never by another module's first lines."""
    modules = sorted(
        ".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        for top in ("daq", "drivers", "simulators")
        for p in (ROOT / top).rglob("*.py")
        if "template" not in p.parts and p.name != "__main__.py"
    )
    code = (
        "import importlib\n"
        f"for name in {modules!r}:\n"
        "    try:\n        importlib.import_module(name)\n"
        "    except ImportError as error:\n        print(name, error.name)\n"
    )
    done = with_only(code=code)
    assert done.returncode == 0, done.stderr
    needs = dict(line.split() for line in done.stdout.splitlines())
    belongs = {
        "amqtt": r"daq\.adapters\.mqtt\.embedded_broker",
        "google": r"daq\.adapters\.sparkplug\.\w+",
        "psycopg": r"daq\.collect\.\w+|daq\.collect|daq\.app\.cli\.delivery\.collect",
        **dict.fromkeys(("fastapi", "jinja2", "markupsafe", "starlette", "uvicorn"), r"daq\.page\.[\w.]+"),
    }
    wrong = {
        name: library
        for name, library in needs.items()
        if not re.fullmatch(belongs.get(library.split(".")[0], "-"), name)
    }
    assert wrong == {}
    assert {library.split(".")[0] for library in needs.values()} == set(belongs)


SPARKPLUG = '[mqtt]\nhost = "127.0.0.1"\nport = 1\n[sparkplug]\ngroup = "g"\nnode = "n"\n'
TLS = '[mqtt]\nhost = "127.0.0.1"\nport = 1\n[mqtt.tls]\nca = "ca.pem"\n'


@pytest.mark.slow
@pytest.mark.parametrize(
    ("extra", "config", "words"),
    [
        ("demo", "", ("demo",)),
        ("collect", "", ("collect", "--show")),
        ("sparkplug", SPARKPLUG, ("serve",)),
        ("tls", TLS, ("doctor",)),
    ],
)
def test_a_feature_without_its_library_names_the_extra(tmp_path, extra, config, words):
    (tmp_path / "daemon.toml").write_text(config)
    done = with_only(code=daq("--config", tmp_path, "--state", tmp_path / "state", *words))
    shown = " ".join((done.stdout + done.stderr).split())
    assert f"pip install 'daq-daemon[{extra}]'" in shown, shown
    assert "Traceback" not in shown
    assert "fault in daq" not in shown


@pytest.mark.slow
def test_the_demonstration_needs_only_its_extra():
    done = with_only("demo", code="import daq.app.workshop.demonstration, daq.adapters.mqtt.embedded_broker")
    assert done.returncode == 0, done.stderr


@pytest.mark.slow
def test_every_library_of_an_extra_is_in_its_extra():
    for library, extra in EXTRAS.items():
        names = {Requirement(r).name for r in PROJECT["optional-dependencies"][extra]}
        root = library.partition(".")[0]
        assert {"google": "protobuf", "argon2": "argon2-cffi"}.get(root, root) in names
    asked_for = {
        node.args[0].value
        for path in (ROOT / "daq").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "need"
    }
    assert asked_for == set(EXTRAS)


def test_the_constraints_are_those_of_the_lock_file():
    assert pinned.FILE.read_text("utf-8") == pinned.text(), "run: python -m tests.docs.pinned"


def test_the_lock_file_has_the_dependencies_of_the_project():
    with (ROOT / "uv.lock").open("rb") as file:
        own = next(p for p in tomllib.load(file)["package"] if p["name"] == PROJECT["name"])
    assert {p["name"] for p in own["dependencies"]} == {
        canonicalize_name(Requirement(r).name) for r in PROJECT["dependencies"]
    }
    for extra, listed in PROJECT["optional-dependencies"].items():
        locked = {p["name"] for p in own["optional-dependencies"][extra]}
        assert locked == {canonicalize_name(Requirement(r).name) for r in listed}, f"{extra}: run uv lock"


def test_every_installed_version_of_the_first_commands_is_pinned():
    """The commands of the pages and of the CI install with the constraints, which name everything they bring."""
    names = {line.partition("==")[0] for line in pinned.FILE.read_text("utf-8").splitlines() if "==" in line}
    assert closure("demo", "tls", "collect", "sparkplug", "test") <= names | {"colorama", "tzdata"}
    for page in ("README.md", "DEVELOPERS.md", ".ci/run"):
        text = (ROOT / page).read_text("utf-8")
        commands = re.findall(r"pip\"? install [^\n&]*(?:-e '\.|\.whl)[^\n&]*", text)
        assert commands, page
        assert [c for c in commands if "-c .ci/constraints.txt" not in c] == []
