"""`daq verification INSTRUMENT --pdf`: the figures of the file are those of the stored verification."""

import json
import re

import pytest

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.reading import Reader
from daq.app.cli import main
from daq.app.screens.text import number, sentence, uncertain
from daq.app.screens.verification_text import OUTCOMES
from tests.reports.parts import reader_of
from tests.support.runs.virtual_bench import StoredBench

pytestmark = pytest.mark.slow
FLUIDS = {"passed": "reference-b", "failed": "clear-glaze"}
"""Fluid in the simulated instrument; the certificate is that of reference-b."""


@pytest.fixture(params=FLUIDS)
def verified(request, tmp_path):
    """State directory with a verification between two others, the run, and its outcome."""
    bench = StoredBench(tmp_path / "state")
    other = next(fluid for fluid in FLUIDS.values() if fluid != FLUIDS[request.param])
    bench.measure("V-0", other, certified="reference-b")
    bench.measure("G-1042")
    return bench.state, bench.measure("V-1", FLUIDS[request.param], certified="reference-b"), request.param == "passed"


def test_the_certificate_states_the_newest_verification_as_it_is_stored(verified, tmp_path):
    state, run, passed = verified
    file = tmp_path / "verification.pdf"
    options = ["--config", str(examples_dir()), "--state", str(state)]
    assert main([*options, "verification", "bench-1", "--pdf", str(file)]) == 0
    with Reader(database_path(state)) as reader:
        newest = reader.newest_result(run)
    stored = json.loads(newest.data)["verification"]
    assert (stored["passed"], len(stored["levels"])) == (passed, 2)
    pdf = reader_of(file.read_bytes())
    words = " ".join(" ".join(page.extract_text() for page in pdf.pages).split())
    assert f"{stored['fluid']}, lot {stored['lot']}" in words
    assert f"{stored['certificate']}, valid until {stored['expires']}" in words
    assert f"as found {OUTCOMES[passed][0]}" in words
    serial = json.loads(newest.data)["origin"]["serial"]
    assert serial
    assert re.search(rf"Instrument bench-1, serial number {re.escape(serial)}(?!\w)", words)
    for level in stored["levels"]:
        # A row of the table: what is printed is the stored number, rounded by its own digits only.
        (row,) = re.findall(rf"{level['step']} {number(level['speed'])} .*?(?:accepted|OUTSIDE)", words)
        printed = [float(text) for text in re.findall(r"[+-]?\d+(?:\.\d+)?", row.replace("\u2212", "-"))]
        *_, speed, torque, celsius, measured, certified, low, high, deviation, u, e_n = printed
        for shown, name, share in (
            (speed, "speed", 1e-3), (torque, "torque_percent", 1e-2), (celsius, "temperature", 1e-3),
            (measured, "measured", 1e-3), (certified, "certified", 1e-3), (low, "low", 1e-4), (high, "high", 1e-4),
        ):  # fmt: skip
            assert shown == pytest.approx(level[name], rel=share)
        assert deviation == pytest.approx(level["deviation_percent"], abs=0.1)
        assert (row.split()[-1] == "accepted") == level["accepted"]
        assert uncertain(level["deviation_uncertainty_percent"]) == f"{u:g}"
        assert e_n == pytest.approx(level["normalised_error"], rel=0.06)
    # Why it did not pass, and how many results it puts in doubt.
    assert (sentence(stored["reasons"]) in words, bool(stored["reasons"])) == (True, not passed)
    in_doubt = re.findall(r"Results in doubt (\d+)", words)
    assert in_doubt == ([] if passed else [str(len(stored["results_since_pass"]))])
    # The whole record is attached, byte for byte what is stored.
    (attached,) = pdf.attachments["record.json"]
    assert json.loads(attached)["result"] == json.loads(newest.data)
    assert main([*options, "trace", str(file)]) == 0


def test_an_instrument_that_was_not_verified_has_no_certificate(tmp_path, capsys):
    bench = StoredBench(tmp_path / "state")
    bench.measure("G-1042")
    options = ["--config", str(examples_dir()), "--state", str(bench.state)]
    for name in (["bench-1"], []):
        assert main([*options, "verification", *name, "--pdf", str(tmp_path / "none.pdf")]) == 2
        assert "name an instrument that was verified" in capsys.readouterr().err
    assert not (tmp_path / "none.pdf").exists()
