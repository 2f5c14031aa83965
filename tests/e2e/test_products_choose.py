"""The whole way of a sample: registered, refused where nothing can be compared, measured, done, shown by its name."""

import json

import pytest

from tests.support.processes.laboratory import SHORT, Daemon, Simulators

pytestmark = [pytest.mark.slow, pytest.mark.timeout(400)]


@pytest.fixture(scope="module")
def simulators(tmp_path_factory):
    """Instruments slow enough for a loaded machine: a reading that is missing would leave the sample open."""
    started = Simulators(tmp_path_factory.mktemp("simulators"), scale=2.0)
    yield started
    started.stop()


TESTED = """
id = "test-glaze"
name = "Test glaze"
unit = "mPa.s"
sample_ids = ["T-###"]

[[tests]]
method = "short 1"

[[limits]]
low = 1
high = 100000
unit = "mPa.s"
methods = ["short 1"]
speed = 12
"""


def measure_until_valid(lab):
    """Measure the sample on fresh fillings until a result is valid: a loaded machine can miss readings."""
    for filling in ([], *[["--fresh-fill"]] * 4):
        done = lab.daq("run", "T-001", "--instrument", "bench-1", "--plain", *filling, seconds=120)
        newest = json.loads(lab.daq("runs", "--sample", "T-001", "--json").stdout)[0]
        assert (newest["lot"], newest["product"]) == ("7", "test-glaze"), done.stderr
        if done.returncode != 11:
            break
        assert json.loads(lab.daq("sample", "show", "T-001", "--json").stdout)["state"] == "open"
    assert (done.returncode, newest["verdict"]) == (0, "within"), (done.stdout, done.stderr)
    return newest


@pytest.mark.parametrize("with_daemon", [True, False])
def test_the_way_of_a_sample(lab, with_daemon):
    (lab.config / "products" / "test-glaze.toml").write_text(TESTED)
    (lab.config / "methods" / "other.toml").write_text(SHORT.replace('"short"', '"other"'))
    daemon = Daemon(lab) if with_daemon else None
    if daemon is not None:
        daemon.ready()
    try:
        assert lab.daq("sample", "add", "T-001", "--product", "test-glaze", "--lot", "7").returncode == 0
        refused = lab.daq(
            "run", "find-speed", "--sample", "T-0011", "--product", "test-glaze", "--instrument", "bench-1"
        )
        assert (refused.returncode, "its ids are T-###" in refused.stderr) == (2, True)

        refused = lab.daq("run", "other", "--instrument", "bench-1", "--sample", "T-001", "--plain")
        assert refused.returncode == 15, refused.stderr
        assert (
            "not comparable with the limits of test-glaze: the limit was set for the method short 1" in refused.stderr
        )
        assert json.loads(lab.daq("runs", "--json").stdout) == []
        assert not lab.bench.turning

        assert measure_until_valid(lab)["method_id"] == "short"
        assert json.loads(lab.daq("sample", "list", "--json").stdout) == []
        assert json.loads(lab.daq("sample", "show", "T-001", "--json").stdout)["state"] == "done"

        assert "daq sample again T-001" in lab.daq("run", "T-001", "--instrument", "bench-1").stderr
        assert lab.daq("sample", "again", "T-001", "--because", "lid open").returncode == 0
        assert "--fresh-fill" in lab.daq("run", "T-001", "--instrument", "bench-1").stderr
        anyway = lab.daq(
            "run",
            "other",
            "--sample",
            "T-001",
            "--instrument",
            "bench-1",
            "--same-fill",
            "--anyway",
            "--plain",
            seconds=120,
        )
        # 11: doubtful, where a loaded machine misses readings.
        assert anyway.returncode in (10, 11), (anyway.stdout, anyway.stderr)
        assert "not comparable with the limits of test-glaze" in anyway.stderr
        runs = json.loads(lab.daq("show", "T-001", "--json").stdout)
        assert [r["verdict"] for r in runs[:2]] == ["not_comparable", "within"]
    finally:
        if daemon is not None:
            daemon.stop()
