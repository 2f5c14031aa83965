"""Cheap hashes for the tests of this folder; `test_hashes` takes the real ones."""

import pytest

from tests.support.laboratories import cheap_hashes


@pytest.fixture(autouse=True)
def _cheap(request, monkeypatch):
    if "real_hashes" not in request.fixturenames:
        cheap_hashes(monkeypatch)


@pytest.fixture(scope="module")
def cheap_module():
    """Let passwords have cheap hashes also in the fixtures of a module."""
    with pytest.MonkeyPatch.context() as patch:
        cheap_hashes(patch)
        yield


@pytest.fixture
def real_hashes():
    """Take the parameters of the program."""
