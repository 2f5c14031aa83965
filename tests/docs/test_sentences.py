"""A sentence of `tests.support.sentences` occurs nowhere else in the tests, and more than one place uses it."""

import ast
from collections import Counter
from pathlib import Path

import pytest

from tests.support import sentences

TESTS = Path(__file__).parents[1]
TABLE = {text: name for name, text in vars(sentences).items() if name.isupper()}
MODULES = [p for p in sorted(TESTS.rglob("*.py")) if p != Path(sentences.__file__)]


@pytest.mark.slow
def test_a_sentence_of_the_table_is_written_once():
    texts = [
        (str(path.relative_to(TESTS)), TABLE[node.value])
        for path in MODULES
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in TABLE
    ]
    assert texts == []
    assert len(TABLE) == sum(name.isupper() for name in vars(sentences)), "two names have the same sentence"


@pytest.mark.slow
def test_every_sentence_of_the_table_is_asserted_in_more_than_one_place():
    used = Counter(
        node.attr
        for path in MODULES
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "sentences"
    )
    assert {name for name in TABLE.values() if used[name] < 2} == set()
