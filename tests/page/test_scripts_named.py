"""A page names each script that it needs, so that a browser fetches all of them side by side."""

import re
from pathlib import Path

import pytest

import daq.page
from daq.page.shown.environment import render
from daq.page.shown.modules import modules_of
from tests.page.example_pages import bench_pages, plain_desk_pages
from tests.page.example_result import RESULT

STATIC = Path(daq.page.__file__).parent / "static"
SCRIPTS = {path.name: path.read_text("utf-8") for path in STATIC.glob("*.js")}
NAMED = re.compile(r'<link rel="modulepreload" href="/static/([\w.]+)">|<script type="module" src="/static/([\w.]+)">')


def imported(name):
    """Return the scripts that a script imports, found by its text alone."""
    return {one for one in SCRIPTS if one != name and f'"./{one}"' in SCRIPTS[name]}


@pytest.mark.parametrize("name", SCRIPTS)
def test_all_imports_of_a_script_are_found(name):
    found = set(modules_of(name))
    assert imported(name) <= found <= set(SCRIPTS)
    for one in found:
        assert imported(one) - {name} <= found


@pytest.mark.parametrize("page", [*bench_pages(RESULT), *plain_desk_pages()], ids=lambda page: page.name)
def test_a_page_names_each_script_once_and_with_it_all_that_it_imports(page):
    text = render(page.template, "en", page.values)
    assert text.startswith("<!doctype html>")
    preloaded, started = ([pair[n] for pair in NAMED.findall(text.partition("<body")[0]) if pair[n]] for n in (0, 1))
    assert sorted(set(preloaded)) == sorted({one for name in started for one in modules_of(name)})
    assert len(started) == len(set(started))
