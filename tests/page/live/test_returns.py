"""The daemon and the page end under an open browser, and come back; the browser is not loaded again."""

import contextlib
import os
import signal
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.page.live.works import stage
from tests.support.processes.laboratory import Daemon, eventually

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
LOST = ".lost"


def open_screen(works, browser):
    """Return a context and the screen of bench-3; `window.loaded` is gone when it is loaded again."""
    context = works.visitor(browser, "kim", paired="bench-3")
    tab = works.opened(context, "/bench/bench-3")
    tab.evaluate("window.loaded = 'once'")
    expect(tab.locator(LOST)).to_be_hidden()
    return context, tab


def works_again(works, tab):
    """Check that a screen shows what is, that its run is stopped by it, and that it was not loaded again."""
    expect(tab.locator(LOST)).to_be_hidden()
    works.begin("lasts", "bench-3")
    stage(tab, "running")
    expect(tab.locator("[data-live-part=readings]")).not_to_be_empty()
    tab.locator("button.stop").tap()
    stage(tab, "verdict")
    assert tab.evaluate("window.loaded") == "once"


def test_the_daemon_is_killed_in_a_run_and_comes_back(works_here, browser):
    works = works_here
    context, tab = open_screen(works, browser)
    sample = works.begin("lasts", "bench-3")
    stage(tab, "running")
    works.daemon.kill()
    expect(tab.locator(LOST)).to_be_visible()
    expect(tab.locator("[data-live-part=value-row]")).to_have_class("value stale")
    # A stop that does not reach the daemon says what to do.
    tab.locator("button.stop").tap()
    expect(tab.locator("[data-live-part=stop]")).to_contain_text("Switch the instrument off at its own switch.")
    works.daemon = Daemon(works.lab)
    works.daemon.ready("bench-3")
    # The run was not continued; its fill is not known to be good, and the screen says so without being loaded again.
    stage(tab, "discarding")
    expect(tab.locator(".bench-main")).to_contain_text(sample)
    works_again(works, tab)
    context.close()


def test_the_page_ends_by_a_signal_or_a_kill_and_comes_back(works_here, browser):
    works = works_here
    context, tab = open_screen(works, browser)
    for number in (signal.SIGTERM, signal.SIGKILL):
        works.begin("lasts", "bench-3")
        stage(tab, "running")
        works.page.send_signal(number)
        works.page.wait()
        works.page.stdout.close()
        expect(tab.locator(LOST)).to_be_visible()
        assert works.lab.simulators["bench-3"].turning
        works.start_page()
        expect(tab.locator(LOST)).to_be_hidden()
        # The log-in of before is still good.
        tab.locator("button.stop").tap()
        stage(tab, "verdict")
        works_again(works, tab)
    context.close()


def child_of(process):
    """Return the process id of the page that a daemon has started; 0 for none."""
    for path in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            about = (path / "stat").read_text().rpartition(")")[2].split()
            if int(about[1]) == process.pid and b"daq.page" in (path / "cmdline").read_bytes():
                return int(path.name)
    return 0


def test_a_page_of_the_daemon_is_started_again_and_ends_with_it_even_by_a_kill(works_here, browser):
    works = works_here
    works.page.terminate()
    works.page.wait()
    works.page.stdout.close()
    works.daemon.stop()
    works.daemon = Daemon(works.lab, page=True)
    works.daemon.ready("bench-3")
    first = eventually(lambda: child_of(works.daemon.process), what="the page")
    eventually(lambda: f"open {works.address}" in works.daemon.logged(), what="its address")
    context, tab = open_screen(works, browser)
    os.kill(first, signal.SIGKILL)
    expect(tab.locator(LOST)).to_be_visible()
    second = eventually(
        lambda: (child_of(works.daemon.process) or first) != first and child_of(works.daemon.process),
        what="the next page",
    )
    works_again(works, tab)
    works.daemon.kill()
    # It would keep the address from the page of the next daemon.
    eventually(lambda: not Path(f"/proc/{second}").exists(), what="the end of the page")
    expect(tab.locator(LOST)).to_be_visible()
    works.daemon = Daemon(works.lab, page=True)
    works.daemon.ready("bench-3")
    expect(tab.locator(LOST)).to_be_hidden()
    works.at_rest("bench-3")
    stage(tab, "choosing")
    assert tab.evaluate("window.loaded") == "once"
    context.close()
    assert works.daemon.stop() == 0
    # As the other tests expect it.
    works.daemon = Daemon(works.lab)
    works.daemon.ready("bench-3")
    works.start_page()
