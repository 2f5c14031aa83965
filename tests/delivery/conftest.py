"""The store and the broker of the publisher's tests."""

import pytest

from tests.delivery.parts import HandClock
from tests.support.fixtures import broker, store

__all__ = ["broker", "store"]


@pytest.fixture
def clock():
    return HandClock()
