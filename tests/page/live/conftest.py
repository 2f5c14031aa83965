"""One works and one browser for all tests of this folder; the tests leave the benches in any stage."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.page.browsing import chromium
from tests.page.live.works import LONG_MS, Works, works

USUAL_MS = 5000
"""Longest wait of an expectation in the other tests."""


@pytest.fixture(scope="package")
def works_here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Works]:
    with works(tmp_path_factory.mktemp("works")) as made:
        yield made


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    expect.set_options(timeout=LONG_MS)
    with chromium() as running:
        yield running
    expect.set_options(timeout=USUAL_MS)
