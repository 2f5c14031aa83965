"""Every built-in kind on a separate pseudo-terminal, served by one daemon: results, a pulled cable, another device."""

import re
import shutil

import pytest

from daq.adapters.paths import examples_dir
from tests.support.instruments.example_pairs import INSTRUMENTS
from tests.support.processes.laboratory import Daemon, Lab, Simulator, eventually

pytestmark = pytest.mark.slow

SCALE = 10.0
RUNS = {
    "balance-1": ("weighing", 123.456, 0.01, ["load 123.456"]),
    "ph-1": ("slip-ph", 7.8, 0.05, ["ph 7.8"]),
    "thermo-1": ("thermometer-log", 31.0, 0.1, ["temperature 31"]),
    "thermo-2": ("two-probe-log", 30.0, 0.1, ["first 30"]),
    "multimeter-1": ("thermometer-log", 61.5, 0.05, ["temperature 61.5"]),
    "tank-1": ("tank-level", 2.5, 0.01, ["level 2.5"]),
    "logger-1": ("dryer-log", 80.0, 0.1, ["temperature 80"]),
    "bath-1": ("thermometer-log", 40.0, 0.15, ["temperature 40"]),
    "bench-3": ("clear-glaze-qc", 800.0, 20.0, []),
}
"""Method, expected value, tolerance, and commands to the simulator before the run."""


class Shop(Lab):
    """The example configuration with every instrument simulated on a pseudo-terminal."""

    def __init__(self, folder, all_simulators):
        self.scale = SCALE
        self.simulators = {"bench-1": None, "thermo-1": None, **all_simulators}
        self.instruments = list(all_simulators)
        holder = type("Holder", (), {"all": self.simulators, "scale": SCALE})()
        self.written = False
        super().__init__(folder, holder)

    def _write_config(self, benches, *, companion):
        del benches, companion
        self.instruments = [name for name, simulator in self.simulators.items() if simulator is not None]
        instruments = self.config / "instruments"
        for path in instruments.glob("*.toml"):
            path.unlink()
        for name in self.instruments:
            text = (examples_dir() / "instruments" / f"{name}.toml").read_text()
            text = re.sub(r"^port = .*$", f'port = "{self.simulators[name].port}"', text, flags=re.MULTILINE)
            (instruments / f"{name}.toml").write_text(text.replace("driver = ", "simulated = true\ndriver = ", 1))
        for path in (self.config / "products").glob("*.toml"):
            # The tests of a product name instruments that are not here.
            path.write_text(re.sub(r"^instruments = .*$", "", path.read_text(), flags=re.MULTILINE))
        for name in ("thermometer-log", "two-probe-log", "dryer-log"):
            path = self.config / "methods" / f"{name}.toml"
            text = re.sub(r'^stop = ".*"$', 'stop = "40 s"', path.read_text(), flags=re.MULTILINE)
            path.write_text(re.sub(r'^(every|span) = ".*"$', r'\1 = "20 s"', text, flags=re.MULTILINE))
        self.write_daemon_file()


@pytest.fixture(scope="module")
def simulators(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kinds")
    made = {}
    for name in RUNS:
        kind, options = INSTRUMENTS[name]
        words = [word for key, value in options.items() for word in (f"--{key}", str(value))]
        made[name] = Simulator(folder, name, kind, *words, scale=SCALE)
    for name, simulator in made.items():
        simulator.wait_ready()
        for command in RUNS[name][3]:
            simulator.tell(command)
    yield made
    for simulator in made.values():
        simulator.stop()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="module")
def shop(tmp_path_factory, simulators):
    lab = Shop(tmp_path_factory.mktemp("shop"), simulators)
    lab.daemon = Daemon(lab)
    lab.daemon.ready(seconds=30.0)
    yield lab
    lab.close()


def test_every_kind_is_recognised_by_its_serial_number(shop):
    instruments = shop.daemon.status()["instruments"]
    for name in RUNS:
        assert instruments[name]["state"] == "ready"


@pytest.mark.timeout(180)
def test_every_kind_gives_the_right_value_at_the_same_time(shop):
    """Runs at the same time through one daemon; the companion thermometer of the pH meter has its run after that one."""
    calls = {name: shop.daemon.run(RUNS[name][0], name, sample=f"S-{name}") for name in RUNS if name != "thermo-2"}
    results = {"ph-1": outcome(calls.pop("ph-1"))}
    calls["thermo-2"] = shop.daemon.run("two-probe-log", "thermo-2", sample="S-thermo-2")
    results |= {name: outcome(call) for name, call in calls.items()}
    for name, (_, value, within, _) in RUNS.items():
        result = results[name]["result"]
        assert result["value"] == pytest.approx(value, abs=within), (name, result["reasons"])
        assert result["validity"] == "valid", (name, result["reasons"], result["faults"])
    assert set(results["ph-1"]["result"]["conditions"]["temperatures"]) == {
        "temperature", "thermo-2.probe_1", "thermo-2.probe_2",
    }  # fmt: skip


def outcome(call):
    call.until("outcome", seconds=90.0)
    return call.seen[-1]


@pytest.mark.timeout(120)
def test_a_pulled_cable_ends_the_run_and_the_instrument_comes_back(shop):
    names = [name for name in RUNS if name not in ("bench-3", "thermo-2")]
    calls = {name: shop.daemon.run(RUNS[name][0], name, sample="S-cable") for name in names}
    for name in names:
        calls[name].state("measuring")
        shop.simulators[name].tell("unplug")
    for name in names:
        ended = outcome(calls[name])
        assert ended["outcome"]["outcome"] == "interrupted", name
        assert ended["result"]["value"] is None, name
        eventually(lambda name=name: shop.daemon.standing(name)["state"] != "ready", what=f"{name} away")
    for name in names:
        shop.simulators[name].tell("replug")
    shop.daemon.ready(*names, seconds=60.0)


@pytest.mark.timeout(120)
def test_another_device_on_the_port_is_refused(shop):
    """All kinds but the logger identify themselves; an instrument with another serial number is not used."""
    names = [name for name in RUNS if name not in ("logger-1", "bench-3")]
    for name in names:
        shop.simulators[name].tell("unplug")
        shop.simulators[name].tell("identity X-9999")
    for name in names:
        eventually(lambda name=name: shop.daemon.standing(name)["state"] != "ready", what=f"{name} away")
        shop.simulators[name].tell("replug")
    for name in names:
        eventually(lambda name=name: "X-9999" in str(shop.daemon.standing(name)), 60.0, f"{name} is another one")
        assert shop.daemon.standing(name)["state"] != "ready"
        shop.simulators[name].tell("unplug")
        shop.simulators[name].tell("identity " + {"bath-1": "H-00712A"}.get(name, _serial(name)))
        shop.simulators[name].tell("replug")
    shop.daemon.ready(*names, seconds=60.0)


def _serial(name):
    text = (examples_dir() / "instruments" / f"{name}.toml").read_text()
    return re.search(r'^expect_serial = "(.*)"', text, re.MULTILINE)[1]
