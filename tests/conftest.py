"""Configuration of all tests: each starts with default logging, and in CI no test may be skipped."""

import json
import os
from collections.abc import Iterator
from typing import Any

import pytest
import structlog
from hypothesis import HealthCheck, settings

from daq.methods.messages.result import ResultData
from daq.methods.sentences.rendering import render
from tests.support.statements import statements_in

# Random cases are the same in every run, and no case fails because a busy machine is slow.
settings.register_profile(
    "seeded", derandomize=True, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("seeded")


@pytest.fixture(autouse=True)
def _logs_as_they_were() -> Iterator[None]:
    """Reset logging after each test: a command that runs in this process configures it, and later tests must not depend on that."""
    yield
    structlog.reset_defaults()


@pytest.fixture(autouse=True, scope="session")
def _sentences_are_those_of_their_codes() -> Iterator[None]:
    """Check every result that a test makes: each stored code with its parameters gives exactly the sentence beside it."""
    build = ResultData.build.__func__

    def checked(cls: type[ResultData], *args: Any, **more: Any) -> ResultData:
        made: ResultData = build(cls, *args, **more)
        for found in statements_in(json.loads(made.model_dump_json())):
            assert render(found["code"], found["parameters"]) == found["text"]
        return made

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ResultData, "build", classmethod(checked))
        yield


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    skipped = terminalreporter.stats.get("skipped", [])
    if skipped and os.environ.get("CI"):
        terminalreporter.section("skipped in CI, where no test may be skipped", red=True)
        for report in skipped:
            terminalreporter.line(str(report.nodeid))


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI") and reporter is not None and reporter.stats.get("skipped") and session.exitstatus == 0:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
