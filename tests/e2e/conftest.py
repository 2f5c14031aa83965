"""Fixtures: simulated instruments for all tests of this folder, and a new laboratory for each test."""

import pytest

from tests.support.processes.laboratory import Lab, Simulators


@pytest.fixture(scope="session")
def simulators(tmp_path_factory):
    started = Simulators(tmp_path_factory.mktemp("simulators"))
    yield started
    started.stop()


@pytest.fixture
def make_lab(tmp_path, simulators):
    made = []

    def make(**options):
        folder = tmp_path / f"lab{len(made)}"
        folder.mkdir()
        made.append(Lab(folder, simulators, **options))
        return made[-1]

    yield make
    for lab in made:
        lab.close()
    simulators.reset()


@pytest.fixture
def lab(make_lab):
    return make_lab()


@pytest.fixture
def broker(lab):
    return lab.start_broker()
