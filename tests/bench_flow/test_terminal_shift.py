"""`daq bench` on a pseudo-terminal with a daemon and a simulated instrument as processes."""

import os
import random
from pathlib import Path

import pytest

from daq.app.screens.bench.bench_words import HEADLINES
from tests.bench_flow.person import Person
from tests.support.processes.laboratory import Daemon, Lab, Simulators

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]

PRODUCT = """
id = "glaze"
name = "Glaze"
version = "1"
safety = "Contains fine silica. Wear gloves."
equilibrating = "30 min"
expected_viscosity = "480 mPa.s"

[[tests]]
method = "short 1"

[[limits]]
low = 1
high = 100000
unit = "mPa.s"
methods = ["short 1"]
"""


@pytest.fixture
def lab(tmp_path):
    started = Simulators(tmp_path, scale=4.0)
    made = Lab(tmp_path, started)
    (made.config / "products" / "glaze.toml").write_text(PRODUCT)
    yield made
    made.close()
    started.stop()


def shot(person, name, columns, rows):
    """Keep a picture of the screen where a folder for it is given."""
    folder = os.environ.get("BENCH_SHOTS")
    if folder:
        Path(folder, f"{columns}x{rows}-{name}.txt").write_text(person.grid.text() + "\n", "utf-8")


@pytest.mark.parametrize(("columns", "rows"), [(80, 24)])
def test_a_shift_of_two_samples_with_two_keys_each(lab, columns, rows):
    daemon = start(lab)
    for sample in ("K-1", "K-2", "K-3"):
        assert lab.daq("sample", "add", sample, "--product", "glaze", "--lot", "2211").returncode == 0
    person = Person(lab, columns=columns, rows=rows)
    person.until(HEADLINES["zeroing"])
    person.until("[✓] motor still")
    shot(person, "1-zero", columns, rows)
    person.press("confirm")
    person.until(HEADLINES["fitting"])
    shot(person, "2-fit", columns, rows)
    person.press("confirm")
    person.until(HEADLINES["choosing"])
    assert "into the bath now: K-1, K-2, K-3" in person.grid.text()
    shot(person, "3-next", columns, rows)
    before = person.keys
    for sample in ("K-1", "K-2"):
        person.scan(sample)
        person.until(f"{sample}: {HEADLINES['checking']}")
        assert "Wear gloves" in person.grid.text()
        person.until("[✓] motor still")
        shot(person, "4-checklist", columns, rows)
        person.press("confirm")
        person.until(f"{sample}: {HEADLINES['running']}")
        person.until("F12 stops the run")
        shot(person, "5-run", columns, rows)
        person.until(f"{sample}: {HEADLINES['verdict']}")
        shot(person, "6-verdict", columns, rows)
        person.press("next")
        person.until(HEADLINES["choosing"])
    assert person.keys - before == 2 * 2
    person.scan("K-3")
    person.until("[✓] motor still")
    person.press("confirm")
    person.until("F12 stops the run")
    person.press("stop")
    person.until(f"K-3: {HEADLINES['verdict']}")
    assert person.grid.too_wide == []
    person.leave()
    assert person.process.returncode == 0
    left = lab.daq("handover")
    assert left.returncode == 0, left.stderr
    assert "filled vessel at the bench" in left.stdout
    assert daemon.stop() == 0
    with lab.reader() as reader:
        runs = reader.runs()
        assert [(r.sample, r.outcome) for r in runs] == [("K-3", "stopped"), ("K-2", "complete"), ("K-1", "complete")]


def start(lab):
    daemon = Daemon(lab)
    daemon.ready("bench-1")
    return daemon


def test_scans_in_every_stage_start_and_stop_nothing_and_a_kill_continues_nothing(lab):
    daemon = start(lab)
    assert lab.daq("sample", "add", "K-1", "--product", "glaze").returncode == 0
    person = Person(lab)
    rng = random.Random(20261129)

    def scans():
        for _ in range(20):
            code = "".join(chr(rng.randrange(0, 127)) for _ in range(rng.randrange(1, 20)))
            person.send(code.encode() + b"\r")
        # The gap after this scan has passed when the screen names it.
        person.scan("LAST")
        person.until("LAST is ignored", "'LAST'")

    person.until(HEADLINES["zeroing"])
    scans()
    person.until(HEADLINES["zeroing"])
    person.press("confirm")
    person.until(HEADLINES["fitting"])
    scans()
    person.until(HEADLINES["fitting"])
    person.press("confirm")
    person.until(HEADLINES["choosing"])
    scans()
    person.until(HEADLINES["choosing"])
    person.scan("K-1")
    person.until("K-1: " + HEADLINES["checking"])
    scans()
    person.until("K-1: " + HEADLINES["checking"])
    with lab.reader() as reader:
        assert reader.runs() == []
    person.until("[✓] motor still")
    person.press("confirm")
    person.until("F12 stops the run")
    scans()
    assert HEADLINES["running"] in person.grid.text()
    daemon.kill()
    person.until("does not answer", "daemon ended")
    daemon = start(lab)
    screen = person.until("Discard these fills")
    shot(person, "7-after-a-kill", 80, 24)
    assert "K-1" in screen
    assert daemon.status()["runs"] == {}
    person.press("confirm")
    person.until("After a power failure")
    person.leave()
    with lab.reader() as reader:
        (run,) = reader.runs()
        assert run.outcome == "interrupted"
