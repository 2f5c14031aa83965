"""A browser whose processes stand still, as on a panel that has hung: the run goes on to its end, and nothing is lost."""

import contextlib
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import expect

from daq.page.texts.texts import Texts
from tests.page.live.works import stage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
T = Texts("en")
FROZEN_S = 6.0
"""Longer than a page lives without an event of its stream."""


def processes_of(browser) -> list[int]:
    """Return the process ids of a browser: the newest child of this one's driver, and all below it."""
    children: dict[int, list[int]] = {}
    commands: dict[int, bytes] = {}
    for path in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            parent = int((path / "stat").read_text().rpartition(")")[2].split()[1])
            children.setdefault(parent, []).append(int(path.name))
            commands[int(path.name)] = (path / "cmdline").read_bytes()
    below, waiting = [], [os.getpid()]
    while waiting:
        found = children.get(waiting.pop(), [])
        waiting += found
        below += found
    assert browser.is_connected()
    return [pid for pid in below if b"chromium" in commands.get(pid, b"").split(b"\0")[0]]


@contextlib.contextmanager
def frozen(browser) -> Iterator[None]:
    """Stop all processes of a browser for the time of a context."""
    pids = processes_of(browser)
    assert len(pids) > 1
    for pid in pids:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in pids:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)


def test_a_frozen_browser_neither_stops_nor_loses_a_run(works_here, browser):
    works = works_here
    context = works.visitor(browser, "kim", paired="bench-2")
    tab = works.opened(context, "/bench/bench-2")
    quick = works.begin("quick", "bench-2")
    stage(tab, "running")
    with frozen(browser):
        ended = works.until_stage("verdict", "bench-2")
        # Others work on meanwhile.
        assert ended["outcome"] == "complete"
        assert ended["result"]["value"] is not None
    stage(tab, "verdict")
    expect(tab.locator("h1")).to_contain_text(quick)
    # A run that lasts: it goes on, and its screen stops it when it is back.
    works.begin("lasts", "bench-2")
    stage(tab, "running")
    with frozen(browser):
        time.sleep(FROZEN_S)
        assert works.view("bench-2")["stage"] == "running"
        assert works.lab.simulators["bench-2"].turning
    expect(tab.locator("[data-live-part=lost]").first).to_be_hidden()
    expect(tab.locator("[data-live-part=value-age]")).to_be_hidden()
    tab.locator("button.stop").tap()
    stage(tab, "verdict")
    expect(tab.locator("[data-live-part=stop]")).to_contain_text(T("bench.stop.still"))
    with works.lab.reader() as reader:
        outcomes = [run.outcome for run in reader.runs(limit=2, instrument="bench-2")]
    assert outcomes == ["stopped", "complete"]
    context.close()
