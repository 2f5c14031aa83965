"""The text files of the project are whole: none has a merge conflict that nobody has resolved."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CONFLICT = re.compile(r"^(<{7}|>{7}|\|{7})( |$)|^={7}$", re.MULTILINE)


def conflicts(name, text):
    """Return the places of the marks of a merge conflict in a text."""
    return [f"{name}:{text.count(chr(10), 0, found.start()) + 1}" for found in CONFLICT.finditer(text)]


@pytest.mark.parametrize("mark", ["<<<<<<< HEAD", "=======", ">>>>>>> other", "||||||| base", "<<<<<<<"])
def test_a_mark_of_a_conflict_is_found(mark):
    assert conflicts("a.md", f"# A\n{mark}\nb\n") == ["a.md:2"]
    assert conflicts("a.md", f"# A\n  {mark}=\nb\n") == []


def test_no_file_has_a_mark_of_a_merge_conflict():
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    names = [name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]
    assert len(names) > 1000
    found = []
    for name in names:
        data = (ROOT / name).read_bytes()
        if b"\0" not in data:
            found += conflicts(name, data.decode("utf-8", "replace").replace("\r\n", "\n"))
    assert found == []
