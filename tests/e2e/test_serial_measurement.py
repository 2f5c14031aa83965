"""Through pseudo-terminals: fitted parameters equal those of the fluids, advice gives the predicted torque, the torque limit stops in time."""

import json
import re
import time

import pytest

from daq.adapters.paths import examples_dir
from tests.support.processes.laboratory import SCALE, Daemon, Simulator
from tests.support.runs.flow_curves import CASES, text

pytestmark = pytest.mark.slow

POLL_MS = 200
"""Poll interval in simulated ms: at the tests' time scale 100 polls per second for each bench."""
BENCHES = 3
"""The first cases of `CASES` run side by side here; tests/methods/test_curve.py runs all of them in virtual time."""


class FurtherBench:
    """A further bench in a laboratory: simulator and instrument file."""

    def __init__(self, lab, name, source, geometry, fluid, *, seed, scale=SCALE, interval_ms=POLL_MS):
        serial = f"R-{name}"
        self.name = name
        self.simulator = Simulator(
            lab.folder, name, "rotational", "--serial", serial, "--fluid", fluid, "--geometry", geometry,
            "--temperature", "25", "--seed", str(seed), scale=scale,
        )  # fmt: skip
        self.simulator.wait_ready()
        written = (examples_dir() / "instruments" / f"{source}.toml").read_text().partition("[companions]")[0]
        for key, value in (
            ("name", name),
            ("port", self.simulator.port),
            ("expect_serial", serial),
            ("fitted", geometry),
        ):
            written = re.sub(rf"^{key} = .*$", f'{key} = "{value}"', written, flags=re.MULTILINE)
        written = written.replace(f'fitted = "{geometry}"', f'fitted = "{geometry}"\nsimulated = true')
        written = re.sub(r"^interval_ms = .*$", f"interval_ms = {interval_ms}", written, flags=re.MULTILINE)
        (lab.config / "instruments" / f"{name}.toml").write_text(written)
        lab.instruments.append(name)


@pytest.fixture
def further(make_lab):
    """A laboratory, and a function that adds benches to it."""
    lab = make_lab()
    added = []

    def add(*args, **options):
        added.append(FurtherBench(lab, *args, **options))
        lab.write_daemon_file()
        return added[-1]

    yield lab, add
    for bench in added:
        bench.simulator.stop()


@pytest.mark.timeout(300)
def test_the_fitted_parameters_equal_those_of_the_fluid(further):
    lab, add = further
    for number, (fluid, source, geometry, _, speeds, how, _, _) in enumerate(CASES[:BENCHES]):
        add(f"line-{number}", source, geometry, fluid, seed=number + 1)
        written = text(speeds, **how).replace('id = "curve"', f'id = "curve-{number}"')
        (lab.config / "methods" / f"curve-{number}.toml").write_text(written)
    daemon = Daemon(lab)
    daemon.ready()
    calls = [
        daemon.run(
            f"curve-{n}",
            f"line-{n}",
            sample=f"G-{1000 + n}",
            product=case[3],
            anyway=True,
        )
        for n, case in enumerate(CASES[:BENCHES])
    ]
    for (fluid, *_, model, true), call in zip(CASES[:BENCHES], calls, strict=True):
        outcome = call.until("outcome", seconds=200)
        call.close()
        assert outcome["outcome"] == "complete", (fluid, outcome)
        curve = json.loads(lab.daq("show", outcome["run"][:13], "--json").stdout)["flow_curve"]
        details = (fluid, curve["fits"], curve["left_out"], [p["reasons"] for p in curve["points"]])
        fit = next((f for f in curve["fits"] if f["model"] == model), None)
        # A machine that stalls loses readings of points, and with the points a model.  `details` have the reason then.
        assert fit is not None, details
        # Real time sets the phase of the noise: a model at the edge of the instrument's resolution may be named as not
        # resolved, and then a simpler one is used.  tests/methods/test_curve.py holds the choice, with seeded noise.
        assert curve["chosen"] == model or fit["unresolved"] is not None, details
        found = {p["name"]: p for p in fit["parameters"]}
        for name, value in true.items():
            # Real time sets the phase of ripple and noise, and one of a dozen 95 % intervals may miss: k = 3 here.
            # tests/methods/test_curve.py counts how often the intervals hold, with seeded random numbers.
            assert abs(found[name]["value"] - value) < 1.5 * found[name]["expanded"], (fluid, found[name])


OFF_RANGE = """
id = "off-range"
version = "1"
title = "Any allowed speed"
claim = "at_time"

[choices.speed]
default = 6
allowed = [3, 4, 6, 8, 10, 12, 15, 20, 24, 30, 40, 50, 60, 80, 100]
unit = "/min"

[[steps]]
name = "reading"
speed = "speed"
settle = "2 rev"
stop = "5 rev"
longest = "5 min"
keep = [{ at = "end", span = "2 rev" }]
"""


@pytest.mark.parametrize(
    ("fluid", "source", "geometry", "product", "speed"),
    [
        # The first torque is too low, for a Newtonian and a shear-thinning fluid; the latter uses its product's flow behaviour index.
        ("glycerol-85", "bench-1", "coaxial-12", None, 6),
        ("white-glaze", "bench-2", "cylinder-6", "white-glaze", 3),
    ],
)
def test_following_the_advice_gives_the_predicted_torque(further, fluid, source, geometry, product, speed):
    lab, add = further
    add("line-0", source, geometry, fluid, seed=4)
    (lab.config / "methods" / "off-range.toml").write_text(OFF_RANGE)
    daemon = Daemon(lab)
    daemon.ready()

    def measured(at):
        more = {"product": product, "anyway": True} if product else {}
        call = daemon.run("off-range", "line-0", sample="A", choices={"speed": at}, **more)
        result = call.until("result", seconds=40)
        call.close()
        return result

    first = measured(speed)
    assert first["conditions"]["torque_percent"] < 10, "the case must start off range"
    advised = [a for a in first["advice"] if a["speed"] is not None and a["geometry"] is None]
    assert advised, first["advice"]
    second = measured(advised[0]["speed"])
    assert second["quality"] == "Good", second["reasons"]
    assert second["conditions"]["torque_percent"] == pytest.approx(advised[0]["torque_percent"], abs=5.0)


def test_the_torque_exceeds_its_limit_no_longer_than_a_poll_and_the_stop(further):
    """The true deflection of the simulated sensor is read from the simulator while the run overloads it."""
    lab, add = further
    pace = 4.0
    lab.scale = pace
    bench = add("line-0", "bench-1", "coaxial-12", "reference-b", seed=4, scale=pace, interval_ms=100)
    lab.instruments = ["line-0"]
    lab.write_daemon_file()
    (lab.config / "methods" / "off-range.toml").write_text(OFF_RANGE)
    daemon = Daemon(lab)
    daemon.ready()
    call = daemon.run("off-range", "line-0", sample="O", choices={"speed": 100})
    over: list[float] = []
    end = time.monotonic() + 20
    still = 0
    while time.monotonic() < end and still < 20:
        state = bench.simulator.state()
        if abs(state["deflection_percent"]) >= 110.0:
            over.append(state["time_s"])
        still = still + 1 if over and not state["turning"] else 0
        time.sleep(0.005)
    outcome = call.until("outcome")
    call.close()
    assert over, "the case must overload the sensor"
    assert outcome["outcome"] == "failed"
    assert outcome["reason"].startswith("the torque reached its limit")
    assert outcome["motor"] == "still"
    with lab.reader() as reader:
        (run,) = reader.runs()
        times = _stop_times(reader, run.id)
    # A poll, the time until the stop is confirmed, and the lag of the rotor, in simulated seconds.
    allowed = 0.1 + times + 0.3
    assert max(over) - min(over) <= allowed


def _stop_times(reader, run_id):
    """Return the seconds from the sending of the halt to the first reading of a motor at rest, from the journal."""
    from daq.core.events import Received, Sent
    from daq.core.journal import read_records

    sent = None
    for record in read_records(b"".join(b.raw for b in reader.journal(run_id))):
        event = record.event
        if isinstance(event, Sent) and event.data.startswith(b"halt"):
            sent = event.t
        elif sent is not None and isinstance(event, Received) and re.search(rb"val \S+ 0\.000 ", event.data):
            return (event.t - sent) * 1e-9
    raise AssertionError("the journal shows no stop")
