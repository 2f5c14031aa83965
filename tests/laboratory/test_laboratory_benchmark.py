"""The benchmark of a laboratory asks questions that work, and its runs are judged as those of a bench are."""

import random

import pytest

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.reading import Reader
from daq.app.records.health_history import health
from daq.app.setup.catalogue import Catalogue
from tests.bench.laboratory import Place, functions
from tests.bench.laboratory_state import OPEN, Size, make


@pytest.mark.slow
def test_every_question_of_the_benchmark_is_answered(tmp_path):
    size = Size(OPEN + 60, 3 * (OPEN + 60))
    make(tmp_path / "state", size)
    place = Place(size, tmp_path / "state", Catalogue.load(examples_dir()), random.Random(7))

    def replays(*_):
        raise AssertionError("the figures of health are not stored")

    with Reader(database_path(place.state)) as reader:
        found = {name: question(reader) for name, question in functions(place).items()}
        figures = health(reader, "bench-1", place.catalogue.instrument("bench-1").health, replays, count=20)
    # Without a stored version of the product no sample has a point.
    assert len(found["chart of 20 points"][0].points) == 20
    assert figures.runs[-1][1].zero == 0.1
