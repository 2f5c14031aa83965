"""Runs that the tests of this folder share."""

import pytest

from tests.support.runs.archived import measure


@pytest.fixture(scope="session")
def measured(tmp_path_factory):
    """A closed state directory with three runs, which no test changes, and their ids."""
    state = tmp_path_factory.mktemp("measured") / "state"
    return state, measure(state)
