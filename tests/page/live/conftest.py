"""One works and one browser for all tests of this folder; the tests leave the benches in any stage."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.page.browsing import chromium
from tests.page.live.works import Works, works


@pytest.fixture(scope="package")
def works_here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Works]:
    with works(tmp_path_factory.mktemp("works")) as made:
        yield made


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running
