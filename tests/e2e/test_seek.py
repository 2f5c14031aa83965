"""A seek through the serial line: it finds its speed, and the sheared sample is not measured as a fresh one."""

import pytest

from tests.support import sentences
from tests.support.processes.laboratory import SHORT, Daemon

pytestmark = pytest.mark.slow

SHEARED_FIRST = SHORT.replace('"short"', '"short-presheared"').replace(
    "[[steps]]", '[conditioning]\nrest = "3 s"\npreshear = { speed = 12, time = "5 s" }\n[[steps]]'
)
NOT_RESTED = SHORT.replace('"short"', '"not-rested"').replace(
    "[[steps]]", '[conditioning]\npreshear = { speed = 12, time = "5 s" }\n[[steps]]'
)


def measure(lab, method: str, fill: str):
    words = ("run", method, "--instrument", "bench-1", "--sample", "N-7", "--fill", fill, "--plain")
    done = lab.daq(*words, seconds=60)
    assert "Traceback" not in done.stderr, done.stderr
    return done


def newest(lab) -> tuple[str, dict]:
    with lab.reader() as reader:
        (run,) = reader.runs(limit=1)
    return run.id, lab.result(run.id)


def test_a_seek_and_the_runs_allowed_on_its_fill(lab):
    for name, text in (("short-presheared", SHEARED_FIRST), ("not-rested", NOT_RESTED)):
        (lab.config / "methods" / f"{name}.toml").write_text(text)
    daemon = Daemon(lab)
    daemon.ready()
    try:
        done = measure(lab, "find-speed", "F-1")
        assert done.returncode == 0, done.stdout
        seek, data = newest(lab)
        assert (data["outcome"], data["verdict"]["verdict"], data["sample"]["sheared"]) == ("complete", "none", True)
        assert data["verdict"]["reasons"][0]["code"] == "seek_shears"
        speeds = [step["set_speed"] for step in data["steps"]]
        assert speeds[0] == 2.0
        assert 2 <= len(speeds) <= 6
        assert 40 <= data["conditions"]["torque_percent"] <= 80
        assert data["conditions"]["set_speed"] == speeds[-1]
        assert abs(data["value"] - 483.2) < 483.2 * 0.04
        assert not lab.bench.turning

        for method in ("short", "not-rested"):
            done = measure(lab, method, "F-1")
            assert done.returncode == 2
            assert f"fill 'F-1' was sheared by the seek of run {seek[:8]}" in done.stderr
            assert f"method {method} declares no pre-shear with a rest after it" in done.stderr
        assert newest(lab)[0] == seek  # no run was started

        assert measure(lab, "short-presheared", "F-1").returncode == 0
        assert newest(lab)[1]["sample"]["sheared"] is False
        assert measure(lab, "short", "F-2").returncode == 0
        assert measure(lab, "find-speed", "F-1").returncode == 0
    finally:
        assert daemon.stop() == 0
    replayed = lab.daq("replay", seek)
    assert replayed.returncode == 0, replayed.stdout
    assert sentences.SAME_BIT_FOR_BIT in replayed.stdout
