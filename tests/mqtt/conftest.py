"""The store and the broker of these tests."""

from tests.support.fixtures import broker, store

__all__ = ["broker", "store"]
