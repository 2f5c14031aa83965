"""What all tests share: in CI nothing may be skipped."""

import os
from pathlib import Path

import pytest

REAL_TIME = ("e2e", "docs", "agnostic")
"""Folders whose tests run instruments in real time: they would disturb each other, so one process takes them in turn."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.pluginmanager.hasplugin("xdist"):
        here = Path(__file__).parent
        for item in items:
            folder = item.path.relative_to(here).parts[0] if item.path.is_relative_to(here) else ""
            item.add_marker(pytest.mark.xdist_group("real time" if folder in REAL_TIME else str(item.path)))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    skipped = terminalreporter.stats.get("skipped", [])
    if skipped and os.environ.get("CI"):
        terminalreporter.section("skipped in CI, where nothing may be", red=True)
        for report in skipped:
            terminalreporter.line(str(report.nodeid))


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI") and reporter is not None and reporter.stats.get("skipped") and session.exitstatus == 0:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
