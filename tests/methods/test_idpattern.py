"""Patterns of sample ids, against the same patterns as regular expressions of the standard library."""

import random
import re
import time

import pytest

from daq.methods.files.load import load_product
from daq.methods.parts.idpattern import matches, matches_any
from tests.support.runs.examples import CONFIG

SIGNS = {"#": "[0-9]", "@": r"[^\W\d_]", "?": ".", "*": ".*"}


@pytest.mark.parametrize(
    ("pattern", "good", "bad"),
    [
        ("G-####", ["G-1042", "G-0000"], ["G-10422", "G-104", "g-1042", "G-104x", " G-1042", "G-1042 ", "G-١٠٤٢", ""]),
        ("@@-#*", ["GL-1", "ÄB-12x"], ["G1-1", "GL-", "GL-x"]),
        ("*", ["", "anything"], []),
        ("", [""], ["x"]),
        ("G-?.", ["G-a."], ["G-aa", "G-."]),
    ],
)
def test_a_pattern_has_the_whole_id(pattern, good, bad):
    assert all(matches(pattern, text) for text in good)
    assert not any(matches(pattern, text) for text in bad)


def test_random_patterns_are_those_of_regular_expressions():
    rng = random.Random(4)
    found = {True: 0, False: 0}
    for _ in range(20_000):
        pattern = "".join(rng.choice("#@?*a1-.") for _ in range(rng.randrange(6)))
        text = "".join(rng.choice("a1-.bZ9ä_") for _ in range(rng.randrange(7)))
        wanted = re.fullmatch("".join(SIGNS.get(c, re.escape(c)) for c in pattern), text) is not None
        assert matches(pattern, text) is wanted, (pattern, text)
        found[wanted] += 1
    assert min(found.values()) > 500


def test_a_costly_pattern_ends_at_once():
    began = time.process_time()
    assert not matches("*a" * 100, "a" * 99 + "b" * 100)
    assert time.process_time() - began < 1.0


def test_a_product_without_patterns_admits_any_id():
    product = load_product(CONFIG / "products/engobe.toml")
    assert product.admits("anything")
    assert not product.model_copy(update={"sample_ids": ("E-#", "F-#")}).admits("G-1")
    assert matches_any(("E-#", "F-#"), "F-1")
