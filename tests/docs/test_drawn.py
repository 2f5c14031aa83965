"""The map and the diagrams of the pages agree with the code."""

import subprocess
from pathlib import Path

import pytest

from tests.docs.drawn import DRAWN, ROOT, drawn_in, layers


@pytest.mark.parametrize(("file", "name"), DRAWN)
def test_a_drawn_part_agrees_with_the_code(file, name):
    assert drawn_in(file, name) == DRAWN[file, name](), "run python -m tests.docs.drawn"


def test_every_package_and_room_is_in_the_layers_of_import_linter():
    known = layers()
    packages = {p.parent.name for p in (ROOT / "daq").glob("*/__init__.py")}
    packages |= {p.stem for p in (ROOT / "daq").glob("*.py") if not p.stem.startswith("_")}
    assert {name.removeprefix("daq.") for row in known[""] for name in row} == packages
    for container in ("daq.app", "daq.methods", "daq.adapters"):
        folder = ROOT / container.replace(".", "/")
        rooms = {p.parent.name for p in folder.glob("*/__init__.py")} | {
            p.stem for p in folder.glob("*.py") if p.stem != "__init__"
        }
        assert {name.rsplit(".", 1)[1] for row in known[container] for name in row} == rooms


def test_folders_are_small_and_a_file_name_occurs_once_in_a_package():
    files = [Path(f) for f in subprocess.run(
        ["git", "ls-files", "daq/*.py"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()]  # fmt: skip
    if not files:
        pytest.skip("not a checkout")
    folders: dict[Path, int] = {}
    names: dict[tuple[str, str], Path] = {}
    for file in files:
        folders[file.parent] = folders.get(file.parent, 0) + 1
        if file.name == "__init__.py" or len(file.parts) < 3:
            continue
        key = file.parts[1], file.name
        assert key not in names, f"{file} and {names[key]}"
        names[key] = file
    free = {Path("daq/core")}
    crowded = {str(f): n for f, n in folders.items() if n > 18 and f not in free}
    assert crowded == {}
    assert len([f for f in folders if f.parent == Path("daq/app")]) <= 10
