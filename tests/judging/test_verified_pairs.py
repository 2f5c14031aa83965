"""Stored verifications count for instrument and measuring geometry together: for a run, its results and the command."""

import json
from dataclasses import replace

import pytest

from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.store import Store
from daq.app.cli.records import verification as command
from daq.app.records.checks.audited_checks import entries, pair_of
from daq.app.records.checks.doubts import in_doubt
from daq.app.records.checks.instrument_history import instrument_history
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.core.driver import Identity
from daq.core.encoding import encode
from daq.methods.planning.standing import AuditedVerification, Pair
from tests.support.runs.examples import CONFIG, example, plan_of
from tests.support.runs.stored import T0, begin, builder, conclude, end, register

SERIAL = Identity("rotational", "R-1042", "1.2", {"full_scale_uN_m": 1000.0})
LATER = T0 + 2 * 86_400 * 10**9


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        store.submit(register()).result(10)
        yield store


@pytest.fixture
def catalogue():
    return Catalogue.load(CONFIG)


def verify(store, run, geometry, *, passed, number="", serial="R-1042", attribution="unattributed"):
    detail = AuditedVerification(
        run=run, result=f"r-{run}", passed=passed, condition="as_found", fluid="reference-b", lot="1", certificate="c",
        geometry=geometry, geometry_serial=number, serial=serial, levels=(), results_in_doubt=0,
    )  # fmt: skip
    measure(store, run, verification=encode(detail), attribution=attribution)


def measure(store, run, verification=None, attribution="unattributed"):
    began = begin(run, "bench-1")
    began = replace(began, run=replace(began.run, attribution=attribution, simulated=False))
    for step in (began, conclude(run, result_id=f"r-{run}", verification=verification), end(run)):
        store.submit(step).result(10)


def history_of(store, catalogue, method="clear-glaze-qc"):
    with store.reader() as reader:
        return instrument_history(
            reader, catalogue, RunOrder(method_id=method, instrument="bench-1", sample="s"), SERIAL, LATER
        )


def fitted(catalogue, geometry):
    catalogue.instruments["bench-1"] = catalogue.instrument("bench-1").with_fitted(geometry)
    return catalogue


def test_a_run_has_the_status_of_its_own_geometry(store, catalogue):
    verify(store, "a", "coaxial-12", passed=False)
    verify(store, "b", "coaxial-15", passed=True)
    assert history_of(store, fitted(catalogue, "coaxial-12")).standing.text == "failed"
    assert history_of(store, fitted(catalogue, "coaxial-15")).standing.text == "passed"


def supersede(store, run, detail):
    """Store a correction of a verification with its new judgement."""
    store.submit(
        Correct(f"r-{run}", f"s-{run}", "wrong fluid", LATER, "m.keeper", builder(run), verification=encode(detail))
    ).result(10)


@pytest.mark.parametrize(("first", "now", "text"), [
    (True, False, "failed"), (False, True, "passed"), (True, None, "never verified"), (False, None, "never verified"),
])  # fmt: skip
def test_a_corrected_or_annulled_verification_counts_as_judged_last_at_the_time_of_its_run(
    store, catalogue, first, now, text
):
    verify(store, "a", "coaxial-12", passed=first)
    with store.reader() as reader:
        (before,) = entries(reader, "bench-1")
    supersede(store, "a", replace(before.detail, passed=now))
    found = history_of(store, fitted(catalogue, "coaxial-12")).standing
    assert (found.text, found.passed) == (text, now)
    with store.reader() as reader:
        (after,) = entries(reader, "bench-1")
        assert (after.seq, after.utc_ns, after.passed) == (before.seq, before.utc_ns, now)


@pytest.mark.slow
@pytest.mark.parametrize("before", [None, True, False])
@pytest.mark.parametrize("passed", [True, False])
def test_without_authorisation_a_verification_can_fail_and_cannot_pass(store, catalogue, before, passed):
    catalogue = fitted(catalogue, "coaxial-12")
    if before is not None:
        verify(store, "a", "coaxial-12", passed=before, attribution="authorised")
    measure(store, "b")
    was = history_of(store, catalogue, "reference-verification")
    verify(store, "c", "coaxial-12", passed=passed, attribution="not_authorised")
    now = history_of(store, catalogue, "reference-verification")
    if passed:
        assert now == was
    else:
        assert now.standing.text == "failed"
    with store.reader() as reader:
        found = command._verifications_of(reader, catalogue, "bench-1", "R-1042")
    shown = found.as_json()["history"][-1]
    assert (shown["run"], shown["passed"], shown["not_authorised"]) == ("c", None if passed else False, True)


def test_results_since_the_last_pass_are_those_since_a_pass_of_the_pair(store, catalogue):
    verify(store, "a", "coaxial-12", passed=True)
    measure(store, "b")
    verify(store, "c", "coaxial-15", passed=True)
    measure(store, "d")
    catalogue = fitted(catalogue, "coaxial-12")
    assert history_of(store, catalogue, "reference-verification").results_since_pass == ("r-b", "r-d")
    catalogue = fitted(catalogue, "coaxial-15")
    assert history_of(store, catalogue, "reference-verification").results_since_pass == ("r-d",)


def test_a_failure_puts_in_doubt_what_came_since_the_last_pass_of_its_pair(store):
    verify(store, "a", "coaxial-12", passed=True)
    measure(store, "b")
    verify(store, "c", "coaxial-15", passed=True)
    measure(store, "d")
    verify(store, "e", "coaxial-12", passed=False)
    with store.reader() as reader:
        found = in_doubt(reader, entries(reader, "bench-1"))
    assert [run for _, run in found.results] == ["b", "d"]
    assert found.last_pass.detail.run == "a"


def test_the_command_shows_every_geometry(store, catalogue):
    verify(store, "a", "coaxial-12", passed=False)
    verify(store, "b", "coaxial-15", passed=True)
    with store.reader() as reader:
        found = command._verifications_of(reader, fitted(catalogue, "coaxial-12"), "bench-1", "R-1042")
    assert (found.geometry, found.now.text) == ("coaxial-12", "failed")
    assert [(name, now.text) for name, now in found.others] == [("coaxial-15", "passed")]
    lines = command._lines(found, 200, whole=False)
    assert "FAILED" in lines[0]
    assert lines[1].startswith("  with coaxial-15: passed on")
    shown = json.loads(json.dumps(found.as_json()))
    assert shown["other_geometries"][0]["state"] == "passed"


def test_the_serial_number_of_a_geometry_goes_from_its_file_to_the_pair(catalogue):
    bench = catalogue.instrument("bench-1")
    numbered = bench.geometries["coaxial-12"].model_copy(update={"serial": "G-7"})
    bench = bench.model_copy(update={"geometries": bench.geometries | {"coaxial-12": numbered}}).with_fitted(
        "coaxial-12"
    )
    assert pair_of(bench, "R-1042") == Pair("R-1042", "coaxial-12", "G-7")
    assert plan_of("clear-glaze-qc", bench).context.geometry.serial == "G-7"
    assert plan_of("clear-glaze-qc", example("instruments/bench-1.toml")).context.geometry.serial == ""
