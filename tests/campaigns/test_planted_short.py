"""Planted faults are found, or the sentence says why not: a small part of `python -m tests.campaigns.planted`."""

from pathlib import Path

import pytest

from tests.campaigns.planted.listed import LISTED

README = " ".join((Path(__file__).parents[2] / "daq/testing/README.md").read_text("utf-8").split())


def test_the_list_is_long_and_each_fault_is_another_one():
    assert len(LISTED) >= 120
    assert len({one.name for one in LISTED}) == len(LISTED)


def test_those_that_cannot_be_found_have_a_sentence_of_the_page():
    hidden = [one for one in LISTED if one.cannot]
    assert 0 < len(hidden) <= len(LISTED) // 10
    assert [one.name for one in hidden if one.cannot not in README] == []


@pytest.mark.parametrize("one", LISTED[5:60:18], ids=lambda one: one.name)
def test_a_fault_is_found_or_cannot_be(one):
    assert bool(one.found_by()) != bool(one.cannot)
