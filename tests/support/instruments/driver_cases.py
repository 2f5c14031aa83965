"""Every built-in driver with its options and the simulator that it reads."""

import tomllib

from daq.adapters.paths import examples_dir
from simulators.kinds import KINDS

BATH = next(
    file["driver_options"] if "driver_options" in file else file["options"]
    for path in sorted((examples_dir() / "instruments").glob("*.toml"))
    if (file := tomllib.loads(path.read_text("utf-8")))["driver"] == "modbus"
)

#: Driver, options of the driver, kind of simulator, options of the simulator.
CASES = [
    ("balance", {}, "balance", {}),
    ("columns", {}, "column-logger", {}),
    ("level", {}, "level", {}),
    ("modbus", BATH, "bath", {}),
    ("modbus", BATH | {"form": "ascii"}, "bath", {"mode": "ascii"}),
    ("multimeter-resistance", {}, "multimeter", {"function": "resistance"}),
    ("multimeter-voltage", {}, "multimeter", {}),
    ("ph-meter", {}, "ph-meter", {}),
    ("printer-port", {}, "printer-scale", {"every": 2.0}),
    ("rotational", {}, "rotational", {}),
    ("rotational", {"mode": "stream"}, "rotational", {}),
    ("scpi-thermometer", {}, "scpi-thermometer", {}),
    ("streaming-rotational", {}, "streaming-rotational", {}),
    ("thermometer", {}, "thermometer", {}),
]
NAMES = [" ".join([name, *(str(options[o]) for o in ("form", "mode") if o in options)]) for name, options, *_ in CASES]


def instrument(name, given):
    kind = KINDS[name]
    options = {o.name: o.default for o in kind.options} | given
    if kind.serial:
        options["serial"] = kind.serial
    return kind.make(1, **options)
