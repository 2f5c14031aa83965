"""One server for the session, a separate database for each test."""

import itertools

import pytest

from tests.support.processes.mosquitto import Mosquitto
from tests.support.processes.postgres import Server

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def server():
    running = Server().start()
    yield running
    running.remove()


@pytest.fixture
def database(server):
    name = f"test_{next(_numbers)}"
    with server.connect() as db:
        db.execute(f"CREATE DATABASE {name}")
        yield server.settings(name)
        # Hundreds of tables would slow down the end of the session.
        db.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def query(server, database):
    """Query the test's database."""
    with server.connect(database.database) as db:
        yield lambda text, *values: db.execute(text, values).fetchall()


@pytest.fixture
def broker(tmp_path):
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder).start()
    yield running
    running.stop()
