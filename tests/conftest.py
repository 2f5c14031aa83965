"""Configuration of all tests: each starts with default logging, and in CI no test may be skipped."""

import gc
import json
import os
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
import structlog
from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers
from hypothesis.internal.constants_ast import Constants

from daq.methods.messages.result import ResultData
from daq.methods.sentences.rendering import render
from tests.support.cases import divided, durations
from tests.support.statements import statements_in

# Random cases are the same in every run, and no case fails because a busy machine is slow.
settings.register_profile(
    "seeded", derandomize=True, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("seeded")
# Hypothesis also draws constants from the source of whatever modules are imported, so that the cases of a test would depend on the tests before it.
providers._get_local_constants = Constants  # there is no setting for it


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


STALLED = [
    "readings_missing", "readings are missing", "readings missing", "readings_late", "readings from before the span",
    "no answer in time", "does not answer any more",
    "interrupted",
]  # fmt: skip
"""Reasons of a result that a stalled machine causes.  Simulated instruments run twenty times faster than real ones: when
the machine does nothing for 20 ms, readings are missing, after 150 ms an instrument is silent, and the result says so.
A slow test that fails with such a reason is repeated, twice at most, and the summary counts it; `.ci/run` repeats other
failures of tests in real time once, alone.  Tests in virtual time count readings exactly."""
SLOW_TIMEOUT_S = 400
"""Limit of the time of a slow test without one of its own (s).  The longest take 100 s beside two others."""
ALSO_STALLED = {"tests/agnostic/test_real_ports.py": ["instrument_error"]}
"""More such reasons, by file.  A request that is sent again after a stall interrupts the query before it, and a multimeter
with IEEE 488.2 status reports that as an error."""


# Thousands of tests stay in memory to the end. Collecting garbage among them took a quarter of the time of the collection of tests.
gc.disable()


def pytest_collection_finish() -> None:
    gc.freeze()
    gc.enable()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Divide the cases of each function into quick ones, slow ones and those that only whole sweeps run; longest files first."""
    times, whole = durations(), bool(os.environ.get("DAQ_WHOLE_SWEEPS"))
    cases: dict[tuple[str, bool], list[int]] = {}
    for place, item in enumerate(items):
        name = item.nodeid if item.nodeid in times else _function(item)
        cases.setdefault((name, item.get_closest_marker("slow") is not None), []).append(place)
    taken: set[int] = set()
    of_files: Counter[str] = Counter()
    for (name, is_slow), places in cases.items():
        quick, slow = divided(places, name, times.get(name), quick=not is_slow)
        if not is_slow:
            for place in set(places) - quick:
                items[place].add_marker(pytest.mark.slow)
        taken |= set(places) if whole else quick | slow
        of_files[name.partition("::")[0]] += times.get(name, 0.02) * len(quick | slow)
    for item in items:
        if item.get_closest_marker("slow"):
            stalled = [*STALLED, *ALSO_STALLED.get(_file(item), ())]
            item.add_marker(pytest.mark.flaky(reruns=2, only_rerun=stalled))
            if item.get_closest_marker("timeout") is None:
                item.add_marker(pytest.mark.timeout(SLOW_TIMEOUT_S))
    if left_out := [item for place, item in enumerate(items) if place not in taken]:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for place, item in enumerate(items) if place in taken]
    # No worker waits at the end for another one's long file; this needs `--no-loadscope-reorder`.
    items.sort(key=lambda item: -of_files[_file(item)])


def _function(item: pytest.Item) -> str:
    return item.nodeid.partition("[")[0]


def _file(item: pytest.Item) -> str:
    return item.nodeid.partition("::")[0]


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
