"""What all tests share: logs begin anew with each, and in CI nothing may be skipped."""

import os
from collections.abc import Iterator

import pytest
import structlog
from hypothesis import HealthCheck, settings

# Random cases are the same in every run, and a busy machine makes no case fail by its time.
settings.register_profile(
    "seeded", derandomize=True, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("seeded")


@pytest.fixture(autouse=True)
def _logs_as_they_were() -> Iterator[None]:
    """A command that a test runs in this process sets up logs; what comes after must not depend on it."""
    yield
    structlog.reset_defaults()


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
