"""Measured runs in a database, copied for each test."""

import pytest

from tests.reports.parts import opened
from tests.support.runs.virtual_bench import StoredBench


@pytest.fixture(scope="session")
def measured(tmp_path_factory):
    """A bench with three runs of clear glaze: two fillings of one sample, and another sample."""
    bench = StoredBench(tmp_path_factory.mktemp("measured") / "state")
    runs = [bench.measure("G-1042", lot="L7", fill="1"), bench.measure("G-1043"), bench.measure("G-1042", fill="2")]
    return bench, runs


@pytest.fixture
def lab(measured, tmp_path):
    with opened(measured, tmp_path) as found:
        yield found
