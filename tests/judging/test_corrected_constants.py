"""A run that is corrected to another geometry: its verification is compared with the constants of its own time.

Edits of files after the run have no part in its value, so they take no verification from it; edits before it do.
"""

from dataclasses import replace

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.records.checks.audited_checks import entries, pair_of
from daq.app.records.checks.instrument_history import standing_of
from daq.app.setup.used import Used, begin_configured
from daq.core.encoding import encode
from daq.methods.files.instrument import Instrument
from tests.support.laboratories import cheap_hashes
from tests.support.runs.stored import T0, begin, conclude, end, register
from tests.support.runs.virtual_bench import StoredBench
from tests.support.signed_laboratories import signing_lab, verification_detail

GEOMETRY = "coaxial-15"
DAY_NS = 86_400 * 10**9


def verified(bench):
    """Store a verification with the other geometry that passed, with the files as they are."""
    lead = bench.catalogue.instrument("bench-1").with_fitted(GEOMETRY)
    serial = lead.geometries[GEOMETRY].serial or ""
    detail = replace(verification_detail("check", passed=True, geometry=GEOMETRY), geometry_serial=serial)
    began = begin("check", "bench-1")
    began = replace(began, run=replace(began.run, simulated=False))
    used = Used((lead, bench.catalogue.instrument("thermo-1")), bench.catalogue.method("clear-glaze-qc"), None, None)
    with Store(database_path(bench.state)) as store:
        for step in (
            register(),
            begin_configured(began, bench.catalogue, used, {}),
            conclude("check", result_id="r-check", verification=encode(detail)),
            end("check"),
        ):
            store.submit(step).result(10)
    bench.clock.now += DAY_NS


def standing(bench):
    """Return the status of the verification of bench-1 with the geometry that is fitted."""
    lead = bench.catalogue.instrument("bench-1")
    with Reader(database_path(bench.state)) as reader:
        pair = pair_of(lead, "R-1042")
        return standing_of(reader, entries(reader, "bench-1"), lead, pair, bench.clock.utc_ns(), bench.catalogue)


def edited(catalogue):
    """Write a correction of its probe into the file of the companion."""
    other = catalogue.instruments["thermo-1"]
    own = other.model_dump(exclude_unset=True) | {"probes": {"temperature": {"offset": "0.5 K"}}}
    catalogue.instruments["thermo-1"] = Instrument.model_validate(own)


@pytest.mark.parametrize("when", ["never", "after the run", "before the run"])
def test_files_that_were_edited_after_a_run_take_no_verification_from_its_correction(tmp_path, monkeypatch, when):
    cheap_hashes(monkeypatch)
    bench = StoredBench(tmp_path / "measured" / "state")
    verified(bench)
    if when == "before the run":
        edited(bench.catalogue)
    run = bench.measure("G-1042", simulated=False, standing=standing(bench))
    with signing_lab(bench, [run], tmp_path / "lab", required=False) as lab:
        assert lab.newest(run)["verified"]["run"] != "check"
        if when == "after the run":
            edited(lab.lab.catalogue)
        lab.correct(run, geometry=GEOMETRY)
        found = lab.newest(run)["verified"]
    assert (found["run"] == "check") is (when != "before the run")


@pytest.mark.parametrize("days", [-1, 1])
@pytest.mark.parametrize("first", ["verification", "run"])
def test_a_verification_before_the_run_counts_for_its_correction_whatever_the_clock_showed(
    tmp_path, monkeypatch, days, first
):
    """The run is `days` later than the verification by the clock; the audit trail has the order of both."""
    cheap_hashes(monkeypatch)
    bench = StoredBench(tmp_path / "measured" / "state")
    if first == "verification":
        verified(bench)
    else:
        with Store(database_path(bench.state)):
            pass
    bench.clock.now = T0 + days * DAY_NS
    run = bench.measure("G-1042", simulated=False, standing=standing(bench))
    if first == "run":
        verified(bench)
    bench.clock.now = T0 + 2 * DAY_NS
    with signing_lab(bench, [run], tmp_path / "lab", required=False) as lab:
        lab.correct(run, geometry=GEOMETRY)
        found = lab.newest(run)["verified"]
    assert (found["run"] == "check") is (first == "verification")
