"""Verification with a certified fluid, end to end: its effect on later results, and the results that a failure makes doubtful."""

import json
import re

import pytest

from tests.support.processes.laboratory import Daemon

pytestmark = pytest.mark.slow

METHOD = """
id = "verify"
version = "1"
title = "Two torques, short"
claim = "at_time"
[verification]
full_scale = "1 %"
levels = 2
[conditioning]
rest = "3 s"
[[steps]]
name = "lower"
speed = 6
settle = "1 rev"
stop = "24 s"
longest = "1 min"
keep = [{ at = "end", span = "10 s" }]
[[steps]]
name = "higher"
speed = 12
settle = "1 rev"
stop = "14 s"
longest = "1 min"
keep = [{ at = "end", span = "6 s" }]
"""


def configured(lab, *, every='every = "31 d"'):
    (lab.config / "methods" / "verify.toml").write_text(METHOD)
    bench = lab.config / "instruments" / "bench-1.toml"
    bench.write_text(bench.read_text() + f"\n[verification]\n{every}\n")
    return lab


def measure(lab, method="short", *words):
    """Run a measurement through the daemon or without it; return exit code and data."""
    done = lab.daq("run", method, "--instrument", "bench-1", "--sample", f"S-{method}", "--plain", *words, seconds=60)
    assert "Traceback" not in done.stderr, done.stderr
    with lab.reader() as reader:
        (run,) = reader.runs(limit=1)
    return done, run.id, lab.result(run.id)


def test_from_never_verified_to_passed_failed_and_passed_as_left(lab):
    configured(lab)
    Daemon(lab).ready()
    try:
        done, _, data = measure(lab)
        assert (done.returncode, data["faults"]) == (11, ["verification_overdue"])
        assert data["quality"] == "Uncertain"
        assert data["value"] is not None
        assert [r["code"] for r in data["reasons"]] == ["never_verified"]
        assert (data["verified"]["passed"], data["verified"]["overdue"]) == (None, True)

        done, passed, data = measure(lab, "verify", "--fluid", "reference-b")
        assert done.returncode == 0, done.stdout
        verification = data["verification"]
        assert (verification["passed"], verification["condition"]) == (True, "as_found")
        assert [level["accepted"] for level in verification["levels"]] == [True, True]
        # The invented certificate states 483.2 mPa.s at 25 Cel, the definition of the simulated fluid.
        assert all(abs(level["certified"] - 483.2) < 3.0 for level in verification["levels"])
        assert data["faults"] == []
        assert data["verdict"]["verdict"] == "within"

        done, good, data = measure(lab)
        assert (done.returncode, data["validity"]) == (0, "valid"), data["reasons"]
        assert (data["verified"]["passed"], data["verified"]["overdue"], data["verified"]["run"]) == (
            True,
            False,
            passed,
        )
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", data["verified"]["due"])

        lab.bench.tell("fluid clear-glaze 25")
        done, _, data = measure(lab, "verify", "--fluid", "reference-b")
        assert done.returncode == 10, done.stdout
        with lab.reader() as reader:
            good_result = reader.newest_result(good).id
        assert data["verification"]["passed"] is False
        assert data["verification"]["results_since_pass"] == [good_result]
        assert "VERIFICATION FAILED" in done.stdout
        assert data["verdict"]["verdict"] == "outside"

        lab.bench.tell("fluid reference-b 25")
        done, _, data = measure(lab)
        assert (done.returncode, data["faults"]) == (11, ["verification_failed"])

        done, _, data = measure(lab, "verify", "--fluid", "reference-b", "--as-left")
        assert (done.returncode, data["verification"]["condition"]) == (0, "as_left"), done.stdout
        done, _, data = measure(lab)
        assert (done.returncode, data["validity"]) == (0, "valid"), data["reasons"]

        assert [w for w, s in lab.audited() if s == "bench-1" and w == "verification"] == ["verification"] * 3
        listed = lab.daq("verification", "bench-1")
        assert listed.returncode == 0, listed.stderr
        history, _, doubt = listed.stdout.partition("failed on")
        assert "as left" in history
        # Only the results since the last pass are listed.
        assert good[:8] in doubt
        assert len(re.findall(r"S-short", doubt)) == 1
        (report,) = json.loads(lab.daq("verification", "bench-1", "--json").stdout)
        assert [h["passed"] for h in report["history"]] == [True, False, True]
        assert [r["run"] for r in report["failure"]["results"]] == [good]

        shown = lab.daq("show", passed).stdout
        assert "E_n" in shown
        assert "accepted" in shown
        replayed = lab.daq("replay", passed)
        assert replayed.returncode == 0, replayed.stdout

        health = json.loads(lab.daq("health", "bench-1", "--json").stdout)
        zeros = [r["zero"] for r in health["runs"] if r["zero"] is not None]
        # The simulated zero error is at most 0.3 % of full scale, drawn once: runs agree within the noise.
        assert len(zeros) == 3
        assert max(map(abs, zeros)) < 0.35
        assert max(zeros) - min(zeros) < 0.1
        assert lab.daq("health", "bench-1").returncode == 0
        with lab.reader() as reader:
            assert len(reader.health("bench-1")) == len(reader.runs(instrument="bench-1"))
    finally:
        lab.bench.tell("fluid reference-b 25")


def test_an_expired_certificate_and_a_missing_fluid_are_refused_before_the_motor_turns(lab):
    configured(lab)
    fluid = lab.config / "fluids" / "reference-b.toml"
    fluid.write_text(fluid.read_text().replace("2028-06-30", "2020-06-30"))
    words = ("run", "verify", "--instrument", "bench-1", "--sample", "V", "--plain")
    done = lab.daq(*words, "--fluid", "reference-b")
    assert done.returncode == 2
    assert "reference-b.toml" in done.stderr
    assert "expires" in done.stderr
    assert "held until 2020-06-30" in done.stderr
    done = lab.daq(*words)
    assert done.returncode == 2
    assert "--fluid" in done.stderr
    with lab.reader() as reader:
        assert reader.runs() == []
