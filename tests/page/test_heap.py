"""The screen of a bench does not grow with the readings that it has shown."""

import pytest

from tests.page.browsing import chromium
from tests.page.page_heap import measured

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
FULL = 7000
"""Readings from which the trend drops its oldest: at most 10 min of them, and at most 6,000, are kept."""


def test_the_heap_does_not_grow_after_the_trend_is_full():
    with chromium() as browser:
        early, late = measured(browser, FULL, 2 * FULL, 10.0)
    # 7,000 further readings of two numbers would be 112 kB in arrays, and some 300 kB as objects; a loaded machine collects up to 100 kB later.
    assert late.heap - early.heap < 150_000
    assert late.nodes <= early.nodes + 50
    assert late.listeners <= early.listeners
