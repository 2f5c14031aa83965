"""Configuration of all tests: each starts with default logging, and in CI no test may be skipped."""

import gc
import json
import os
from collections.abc import Iterator
from typing import Any

import pytest
import structlog
from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers
from hypothesis.internal.constants_ast import Constants

from daq.methods.messages.result import ResultData
from daq.methods.sentences.rendering import render
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


SWEEPS = {
    "tests/agnostic/test_damage.py": 3,
    "tests/app/test_changed_files.py": 12,
    "tests/arguments/test_refusals.py": 12,
    "tests/bench_flow/test_damage_at_bench.py": 3,
    "tests/campaigns/test_curve_coverage_short.py": 3,
    "tests/campaigns/test_guesses_short.py": 4,
    "tests/cli/test_chart.py": 4,
    "tests/cli/test_commands.py": 8,
    "tests/cli/test_digits.py": 6,
    "tests/cli/test_digits_of_reports.py": 6,
    "tests/cli/test_falsified.py": 12,
    "tests/cli/test_live_digits.py": 8,
    "tests/cli/test_plan.py": 4,
    "tests/cli/test_precision.py": 3,
    "tests/cli/test_start.py": 3,
    "tests/cli/test_widths.py": 4,
    "tests/collect/test_columns.py": 4,
    "tests/collect/test_hostile.py": 8,
    "tests/collect/test_views.py": 3,
    "tests/computing/test_worker_killed.py": 7,
    "tests/contract/test_asyncapi.py": 3,
    "tests/core/test_batching.py": 4,
    "tests/core/test_checksums.py": 3,
    "tests/core/test_hostile.py": 3,
    "tests/core/test_replay.py": 3,
    "tests/core/test_student.py": 3,
    "tests/core/test_whole_chain.py": 3,
    "tests/delivery/test_changed.py": 8,
    "tests/delivery/test_neighbours.py": 3,
    "tests/delivery/test_put_back.py": 4,
    "tests/delivery/test_put_back_later.py": 16,
    "tests/descriptions/test_field_types.py": 3,
    "tests/descriptions/test_roundtrip.py": 3,
    "tests/docs/test_install.py": 3,
    "tests/doors/test_backup_stream.py": 3,
    "tests/doors/test_hostile_files.py": 10,
    "tests/judging/test_approved_combinations.py": 4,
    "tests/judging/test_drift_signs_measured.py": 8,
    "tests/judging/test_foreseen.py": 3,
    "tests/judging/test_limits_in_other_units.py": 4,
    "tests/judging/test_lying_instruments.py": 3,
    "tests/judging/test_temperature_of_limits.py": 3,
    "tests/kit/test_built_in.py": 8,
    "tests/kit/test_conformance.py": 9,
    "tests/kit/test_guess.py": 4,
    "tests/kit/test_never_guessed.py": 8,
    "tests/kit/test_unread.py": 4,
    "tests/laboratory/test_charting.py": 3,
    "tests/laboratory/test_counted_repeats.py": 3,
    "tests/laboratory/test_equipment.py": 3,
    "tests/laboratory/test_fixing_limits.py": 3,
    "tests/laboratory/test_importing.py": 3,
    "tests/laboratory/test_interleaved.py": 6,
    "tests/laboratory/test_ordering.py": 4,
    "tests/laboratory/test_people.py": 3,
    "tests/laboratory/test_roles.py": 30,
    "tests/laboratory/test_transcribing.py": 4,
    "tests/methods/test_claims.py": 3,
    "tests/methods/test_curve.py": 4,
    "tests/methods/test_curve_zero.py": 5,
    "tests/methods/test_hidden_plateaus.py": 3,
    "tests/methods/test_reportable.py": 2,
    "tests/methods/test_yield_dependence.py": 5,
    "tests/mqtt/test_wire.py": 3,
    "tests/page/test_refused_on_desk.py": 4,
    "tests/planning/test_advice.py": 5,
    "tests/planning/test_seek.py": 6,
    "tests/ports/test_opening.py": 3,
    "tests/ports/test_shared_line.py": 4,
    "tests/quality/test_capability.py": 2,
    "tests/quality/test_chartsignals.py": 3,
    "tests/records/test_checks_of_older_runs.py": 4,
    "tests/records/test_damaged_results.py": 4,
    "tests/records/test_searching.py": 3,
    "tests/reports/test_rejected_certificates.py": 4,
    "tests/retention/test_archive_kills.py": 4,
    "tests/retention/test_numbers.py": 3,
    "tests/rheology/test_autocorrelation.py": 8,
    "tests/rheology/test_curvefit.py": 3,
    "tests/rheology/test_nist_nonlinear.py": 3,
    "tests/rheology/test_rectangular_sums.py": 4,
    "tests/rheology/test_slow_drift.py": 20,
    "tests/rheology/test_temperature.py": 6,
    "tests/simulators/test_flow.py": 3,
    "tests/sparkplug/test_changed_corrections.py": 4,
    "tests/sparkplug/test_changed_results.py": 12,
    "tests/sparkplug/test_new_epoch.py": 3,
    "tests/sparkplug/test_requirements.py": 2,
    "tests/store/test_agreement.py": 12,
    "tests/store/test_backup.py": 6,
    "tests/store/test_checks.py": 2,
    "tests/store/test_crash.py": 20,
    "tests/store/test_delivery_model.py": 3,
    "tests/store/test_every_byte_of_records.py": 6,
    "tests/store/test_query_plans.py": 4,
    "tests/store/test_update_to_format_3.py": 3,
}
"""Modules of generated cases.  The quick tests run every n-th case of a function that has many, the slow tests every
third one of the rest; with `DAQ_WHOLE_SWEEPS` in the environment the slow tests run the whole rest."""
MANY_CASES = 3
ONE_CASE = {
    "tests/delivery/test_subscribers_page.py::test_gaps_at_the_beginning_in_the_middle_and_at_the_end_are_requested",
    "tests/methods/test_hidden_plateaus.py::test_hidden_plateaus_give_no_unmarked_yield_stress",
    "tests/methods/test_hidden_plateaus.py::test_a_true_yield_stress_over_two_decades_keeps_its_value",
    "tests/page/live/test_network.py::test_a_network_that_fails_and_returns",
    "tests/page/live/test_two_browsers.py::test_two_persons_start_one_run_and_the_second_is_refused_in_words",
}
"""Functions of which each case takes long: without `DAQ_WHOLE_SWEEPS` only the first one runs."""
LONGEST = (
    "tests/delivery/test_subscribers_page.py",
    "tests/e2e/test_products_choose.py",
    "tests/docs/test_readme.py",
    "tests/e2e/test_links.py",
    "tests/e2e/test_life.py",
    "tests/e2e/test_shift.py",
    "tests/app/test_ends.py",
    "tests/page/test_look.py",
    "tests/cli/test_terminal.py",
    "tests/page/live/test_returns.py",
    "tests/page/live/test_network.py",
    "tests/page/live/test_stop_everywhere.py",
    "tests/doors/test_systemd_unit.py",
    "tests/methods/test_hidden_plateaus.py",
    "tests/methods/test_yield_dependence.py",
    "tests/laboratory/test_interleaved.py",
)
"""Files that take longest.  They come first, so that no worker waits at the end for another one's long file; this needs
`--no-loadscope-reorder`."""


STALLED = [
    "readings_missing", "readings are missing", "readings missing", "no answer in time", "does not answer any more",
    "interrupted",
]  # fmt: skip
"""Reasons of a result that a stalled machine causes.  Simulated instruments run twenty times faster than real ones: when
the machine does nothing for 20 ms, readings are missing, after 150 ms an instrument is silent, and the result says so.
A slow test that fails with such a reason is repeated, twice at most, and the summary counts it.  Other failures are not
repeated; tests in virtual time count readings exactly."""
ALSO_STALLED = {"tests/agnostic/test_real_ports.py": ["instrument_error"]}
"""More such reasons, by file.  A request that is sent again after a stall interrupts the query before it, and a multimeter
with IEEE 488.2 status reports that as an error."""


# Thousands of tests stay in memory to the end. Collecting garbage among them took a quarter of the time of the collection of tests.
gc.disable()


def pytest_collection_finish() -> None:
    gc.collect()
    gc.freeze()
    gc.enable()


def _place(file: str) -> int:
    return LONGEST.index(file) if file in LONGEST else len(LONGEST)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    cases: dict[str, list[pytest.Item]] = {}
    for item in items:
        name = item.nodeid.partition("[")[0]
        if name.partition("::")[0] in SWEEPS:
            cases.setdefault(name, []).append(item)
    left_out: list[pytest.Item] = []
    for name, found in cases.items():
        every = SWEEPS[name.partition("::")[0]]
        if len(found) >= MANY_CASES:
            rest = [item for number, item in enumerate(found) if number % every]
            for item in rest:
                item.add_marker(pytest.mark.slow)
            left_out += [item for number, item in enumerate(rest) if number % 3]
    met: set[str] = set()
    for item in items:
        if item.get_closest_marker("slow"):
            stalled = [*STALLED, *ALSO_STALLED.get(item.nodeid.partition("::")[0], ())]
            item.add_marker(pytest.mark.flaky(reruns=2, only_rerun=stalled))
        name = item.nodeid.partition("[")[0]
        if name in ONE_CASE and name in met:
            left_out.append(item)
        met.add(name)
    if os.environ.get("DAQ_WHOLE_SWEEPS"):
        left_out.clear()
    items.sort(key=lambda item: _place(item.nodeid.partition("::")[0]))
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        kept = {id(item) for item in items} - {id(item) for item in left_out}
        items[:] = [item for item in items if id(item) in kept]


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
