"""Every built-in driver passes the kit against its simulator, which was written from the dialect's text alone."""

import tomllib

import pytest

from daq.adapters.paths import examples_dir
from daq.app.driver_choice import chosen_driver
from daq.app.drivers import Drivers
from daq.testing import assert_conforms
from simulators.kinds import KINDS

BATH = next(
    file["driver_options"] if "driver_options" in file else file["options"]
    for path in sorted((examples_dir() / "instruments").glob("*.toml"))
    if (file := tomllib.loads(path.read_text("utf-8")))["driver"] == "modbus"
)

#: Driver, its options, kind of simulator, the simulator's options.
CASES = [
    ("balance", {}, "balance", {}),
    ("columns", {}, "column-logger", {}),
    ("level", {}, "level", {}),
    ("modbus", BATH, "bath", {}),
    ("multimeter-resistance", {}, "multimeter", {"function": "resistance"}),
    ("multimeter-voltage", {}, "multimeter", {}),
    ("ph-meter", {}, "ph-meter", {}),
    ("rotational", {}, "rotational", {}),
    ("rotational", {"mode": "stream"}, "rotational", {}),
    ("scpi-thermometer", {}, "scpi-thermometer", {}),
    ("streaming-rotational", {}, "streaming-rotational", {}),
    ("thermometer", {}, "thermometer", {}),
]


def instrument(name, given):
    kind = KINDS[name]
    options = {o.name: o.default for o in kind.options} | given
    if kind.serial:
        options["serial"] = kind.serial
    return kind.make(1, **options)


@pytest.mark.parametrize(("name", "options", "kind", "given"), CASES, ids=[f"{c[0]}-{len(c[1])}" for c in CASES])
def test_a_built_in_driver_conforms_to_its_simulator(name, options, kind, given):
    report = assert_conforms(chosen_driver(name, options), simulator=lambda: instrument(kind, given))
    assert report.finding("clean line").outcome == "passed"


def test_no_built_in_driver_is_left_out():
    assert {c[0] for c in CASES} == set(Drivers.find().names)
