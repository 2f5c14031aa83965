"""A page that a daemon has started ends with it, even where the daemon has no time to end it."""

import pytest

from daq.page import server


@pytest.mark.asyncio
async def test_the_page_ends_when_the_process_that_started_it_has_gone(monkeypatch):
    monkeypatch.setattr(server, "PARENT_S", 0.0)
    parents = iter([7, 7, 1])
    ended = []
    monkeypatch.setattr(server.os, "getppid", lambda: next(parents))
    await server._end_with(7, lambda: ended.append(True))
    assert ended == [True]
    assert next(parents, None) is None  # not before
