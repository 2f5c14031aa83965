"""Cheap hashes for the tests of this folder; `test_hashes` takes the real ones."""

import argon2
import pytest

from daq.process import hashes


@pytest.fixture(autouse=True)
def _cheap(request, monkeypatch):
    if "real_hashes" not in request.fixturenames:
        made = argon2.PasswordHasher.from_parameters(argon2.profiles.CHEAPEST)
        monkeypatch.setattr(hashes, "_hasher", lambda: made)


@pytest.fixture
def real_hashes():
    """Take the parameters of the program."""
