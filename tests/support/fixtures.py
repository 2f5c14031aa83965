"""Fixtures: a new store and a new broker for each test."""

import pytest

from daq.adapters.store.store import Store
from tests.support.processes.mosquitto import Mosquitto
from tests.support.runs.stored import T0


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as opened:
        yield opened


@pytest.fixture
def broker(tmp_path):
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder).start()
    yield running
    running.stop()
